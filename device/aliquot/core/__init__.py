"""The pure part: integers in, integers out. It reads no clock, opens no file and moves no pin."""
