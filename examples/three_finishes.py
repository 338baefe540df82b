"""One frame finished three ways: as the tool would, straightened to the last, and left as it was held.

python examples/three_finishes.py FRAME FOLDER-FOR-PICTURES
"""

import sys
from pathlib import Path

import clerestory as cl


def main() -> None:
    frame, into = sys.argv[1], Path(sys.argv[2])
    into.mkdir(parents=True, exist_ok=True)
    recipes = {
        "as the tool would": cl.Recipe(),
        "straight": cl.Recipe(plumb=1.0, shade_lift=1.5),
        "as held": cl.Recipe(plumb=0.0),
    }
    for name, recipe in recipes.items():
        picture = cl.finish_picture(frame, recipe)
        path = cl.write_picture(picture, into / f"{name}.jpg", space="display-p3")
        height, width = picture.rgb.shape[:2]
        print(f"{path.name:24} {width} x {height}")


if __name__ == "__main__":  # sorting and finishing start processes, which read this file again
    main()
