"""Tables of what the farm has (fields, strips, seasons, operations, instruments), which no transform makes."""
