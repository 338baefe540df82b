"""How each view's frame was held, and how surely that is known.

python examples/which_way_is_up.py FOLDER
"""

import math
import sys

import clerestory as cl


def main() -> None:
    for view in cl.sort_visit(sys.argv[1]).views:
        vertical = cl.vertical_of(view.pick)
        pitch, roll = math.degrees(vertical.pitch), math.degrees(vertical.roll)
        print(
            f"{view.name:8} {vertical.verdict:12} up {pitch:+5.1f}°  rolled {roll:+4.1f}°  ±{vertical.bound_deg:.2f}°"
        )


if __name__ == "__main__":  # sorting and finishing start processes, which read this file again
    main()
