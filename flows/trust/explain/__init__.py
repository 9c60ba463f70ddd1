"""Where a number came from: from a row back to its inputs, its method and the files behind it."""
