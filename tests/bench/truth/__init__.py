"""Other physics of soil water than the demo's, to judge the methods below ground by; imports the demo's simulator."""
