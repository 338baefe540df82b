"""A picture as a printer or a paper will show it, by its ICC profile: a soft proof, and what of it cannot be printed.

The profile is one's own: a print shop or the maker of a paper gives it. Reckoned by Little CMS through Pillow: the
picture's colours to the paper's by the intent asked for, and those, as the paper shows them, to the screen's sRGB
(ICC.1:2010, 6.2.11 and annex D). What lies outside of what the paper can show is found by going there and back
without any adaptation: a colour that comes back elsewhere was not to be had.
"""

from __future__ import annotations

import io
from dataclasses import dataclass
from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray
from PIL import Image, ImageCms

from clerestory.errors import UserError
from clerestory.finish.icc import profile

Intent = Literal["relative", "perceptual"]
_INTENTS = {"relative": ImageCms.Intent.RELATIVE_COLORIMETRIC, "perceptual": ImageCms.Intent.PERCEPTUAL}
_MODES = {"RGB": "RGB", "CMYK": "CMYK", "GRAY": "L"}
OUTSIDE = 4.0  # CIELAB units off from which a colour is said to be lost: plainly seen side by side; by eye


@dataclass(frozen=True)
class SoftProof:
    """`shown`: sRGB, 8 bits, H x W x 3, as the paper will show it; `outside`: H x W, what it cannot show as it is."""

    shown: NDArray[np.uint8]
    outside: NDArray[np.bool_]

    @property
    def share(self) -> float:
        """Of the picture that cannot be shown as it is, 0 to 1."""
        return float(self.outside.mean())

    def outside_in_colour(self) -> NDArray[np.uint8]:
        """The picture in grey but for what the paper cannot show."""
        grey = np.repeat((self.shown @ np.array([0.299, 0.587, 0.114]))[..., None], 3, axis=2)
        return np.where(self.outside[..., None], self.shown, grey.astype(np.uint8))


def paper_name(data: bytes) -> str:
    """What an ICC profile calls itself. UserError where it is no profile of a printer or a paper."""
    return str(ImageCms.getProfileDescription(_opened(data))).strip()


def soft_proof(
    coded: NDArray[np.uint8], paper: bytes, intent: Intent = "relative", white: bool = False, space: str = "srgb"
) -> SoftProof:
    """A picture as it is in its file (8 bits, H x W x 3, in `space`) through a paper's ICC profile.

    `intent`: "relative" keeps what can be printed and moves the rest to the nearest, "perceptual" presses all
    together to make room (ICC's names). `white`: the paper's own white and black too, not those of the screen.
    """
    picture = Image.fromarray(np.ascontiguousarray(coded))
    of_paper, own, screen = _opened(paper), _opened(profile(space)), _opened(profile("srgb"))
    onto = ImageCms.Intent.ABSOLUTE_COLORIMETRIC if white else ImageCms.Intent.RELATIVE_COLORIMETRIC
    flags = ImageCms.Flags.SOFTPROOFING | ImageCms.Flags.BLACKPOINTCOMPENSATION
    made = ImageCms.buildProofTransform(own, screen, of_paper, "RGB", "RGB", _INTENTS[intent], onto, flags)
    shown = ImageCms.applyTransform(picture, made)
    return SoftProof(np.asarray(shown), _outside(picture, own, of_paper))


def _outside(picture: Image.Image, own: Any, paper: Any) -> NDArray[np.bool_]:
    lab = ImageCms.createProfile("LAB")
    mode = _MODES[paper.profile.xcolor_space.strip()]
    relative = ImageCms.Intent.RELATIVE_COLORIMETRIC

    def through(image: Image.Image, first: Any, second: Any, before: str, after: str) -> Image.Image:
        made = ImageCms.buildTransform(first, second, before, after, relative, ImageCms.Flags.NONE)
        out = ImageCms.applyTransform(image, made)
        assert out is not None
        return out

    wanted = through(picture, own, lab, "RGB", "LAB")
    printed = through(through(wanted, lab, paper, "LAB", mode), paper, lab, mode, "LAB")
    apart = [_lab(image) for image in (wanted, printed)]
    return np.asarray(np.linalg.norm(apart[0] - apart[1], axis=2) > OUTSIDE)


def _lab(image: Image.Image) -> NDArray[np.float32]:
    """CIELAB of a picture in Little CMS's 8 bits: L* over 100 of 255, a* and b* as signed bytes."""
    held = np.asarray(image)
    return np.dstack([held[..., 0] * np.float32(100 / 255), held[..., 1:].view(np.int8)]).astype(np.float32)


def _opened(data: bytes) -> Any:
    try:
        found = ImageCms.ImageCmsProfile(io.BytesIO(data))
        space = found.profile.xcolor_space.strip()
    except (OSError, ImageCms.PyCMSError) as problem:
        raise UserError("This is no ICC profile that can be read; take the .icc or .icm file that came with "
                        "the paper or from the print shop.") from problem  # fmt: skip
    if space not in _MODES:
        raise UserError(f"This profile is for {space} values; a paper's is for RGB, CMYK or grey.")
    return found
