"""One view, one picture: white balance, lens, plumb, crop, tone, noise, sharpening, writing."""
