"""A picture as a printer or a paper will show it, by its ICC profile: a soft proof, and what of it cannot be printed.

The profile is one's own: a print shop or the maker of a paper gives it. Reckoned by Little CMS through imagecodecs:
the picture's colours to the paper's own values by the intent asked for, and those, as the paper shows them, to the
screen's sRGB (ICC.1:2010, 6.2.11 and annex D). In two steps, with whole numbers of 16 bits between them: in one,
through a profile that is but three primaries and curves, a colour is carried on which no such paper can show. What
lies outside is found in the same way: a colour that comes back elsewhere was not to be had.
"""

from __future__ import annotations

import io
from dataclasses import dataclass
from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray
from PIL import ImageCms

from clerestory.errors import UserError
from clerestory.finish.icc import profile

Intent = Literal["relative", "perceptual"]
_INTENTS = {"perceptual": 0, "relative": 1, "absolute": 3}  # ICC.1:2010, 7.2.15
_MODES = ("RGB", "CMYK", "GRAY")  # what a paper's values may be
_NAMED = {"RGB": "rgb", "CMYK": "cmyk", "GRAY": "gray", "LAB": "lab"}  # as imagecodecs has it
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
    own, screen = profile(space), profile("srgb")
    told = _opened(paper).profile.xcolor_space.strip()
    onto = "absolute" if white else "relative"
    printed = _through(coded, (own, "RGB"), (paper, told), intent, "uint16", black=True)
    shown = _through(printed, (paper, told), (screen, "RGB"), onto, "uint8", black=True)
    return SoftProof(shown, _outside(coded, (own, "RGB"), (paper, told)))


Space = tuple[bytes, str]  # a profile, and what its values are


def _through(
    values: NDArray[Any], first: Space, second: Space, intent: str, kind: str, black: bool = False
) -> NDArray[Any]:
    """Values of one profile as those of another, of a numpy `kind`; `black`: one black is moved onto the other."""
    import imagecodecs

    flags = imagecodecs.CMS.FLAGS
    asked = flags.NOOPTIMIZE  # else some colours at the edge are off by a tenth
    return np.asarray(
        imagecodecs.cms_transform(
            np.ascontiguousarray(values), first[0], second[0], colorspace=_NAMED[first[1]],
            outcolorspace=_NAMED[second[1]], outdtype=kind, intent=_INTENTS[intent],
            flags=asked | flags.BLACKPOINTCOMPENSATION if black else asked,
        )
    )  # fmt: skip


def _outside(values: NDArray[np.uint8], own: Space, paper: Space) -> NDArray[np.bool_]:
    import imagecodecs

    lab = (imagecodecs.cms_profile("lab4"), "LAB")
    wanted = _through(values, own, lab, "relative", "float32")
    there = _through(values, own, paper, "relative", "uint16")
    printed = _through(there, paper, lab, "relative", "float32")
    return np.asarray(np.linalg.norm(wanted - printed, axis=2) > OUTSIDE)


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
