"""The pure part: integers in, integers out. It never reads a clock, opens a file or moves a pin."""
