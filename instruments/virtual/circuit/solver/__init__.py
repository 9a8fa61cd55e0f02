"""Operating points and slow transients of batches of circuits that share a layout."""
