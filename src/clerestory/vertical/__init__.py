"""The vertical of a building as a frame shows it: segments, vanishing point, verdict, drawn lines, focal length."""
