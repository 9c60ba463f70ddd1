"""What a person does by hand (new farm, sniff, try, inspect, demo); may import every room from ``base`` to ``run``."""
