"""What stands behind the faces: supply, meter, scanner, oscilloscope as loads and sources of the circuit."""
