"""An invented farm, and the simulator that writes its instrument files."""
