"""What merging a burst does to the grain: the same view from its pick alone and from all of its frames.

python examples/burst.py FRAME FRAME...
"""

import sys

import numpy as np

import clerestory as cl


def grain(rgb: np.ndarray) -> float:
    """Median difference of neighbouring pixels in green, display-linear H x W x 3: less where there is less noise."""
    return float(np.median(np.abs(np.diff(rgb[..., 1], axis=1))))


def main() -> None:
    frames = sys.argv[1:]
    recipe = cl.Recipe(denoise=0.0, plumb=0.0)
    alone = cl.finish_picture(frames[0], recipe)
    source = cl.merge_frames(frames, kind="burst")
    merged = cl.finish_picture(source, recipe)
    print(f"{len(source.frames)} of {len(frames)} frames merged")
    for remark in source.remarks:
        print(" ", remark)
    print(f"grain alone {grain(alone.rgb):.5f}, merged {grain(merged.rgb):.5f}")


if __name__ == "__main__":  # sorting and finishing start processes, which read this file again
    main()
