"""Colour spaces of pictures by name: their primaries and their code points, the one place.

It stands in this room because reading a finished picture needs it; developing and writing, above, take it from here.
"""

D65 = (0.3127, 0.3290)  # CIE xy of the white of all of them
PRIMARIES = {
    "rec2020": ((0.708, 0.292), (0.170, 0.797), (0.131, 0.046)),  # ITU-R BT.2020
    "srgb": ((0.64, 0.33), (0.30, 0.60), (0.15, 0.06)),  # IEC 61966-2-1
    "display-p3": ((0.680, 0.320), (0.265, 0.690), (0.150, 0.060)),  # SMPTE EG 432-1 primaries, D65 white
}
CODES = {"srgb": 1, "rec2020": 9, "display-p3": 12}  # of the primaries, ITU-T H.273
