"""How clients reach the virtual bench: as a VISA library in process, over TCP ports, over its console."""
