"""Several frames, one view: align, burst, bracket, clear, join."""
