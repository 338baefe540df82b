"""From a mosaic to linear colour: defects, white balance, demosaic, denoise, highlights, colour."""
