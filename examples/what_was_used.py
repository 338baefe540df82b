"""How often each focal length and ISO was used on a visit, from its catalogue.

python examples/what_was_used.py FOLDER
"""

import csv
import io
import sys
from collections import Counter

import clerestory as cl


def main() -> None:
    cl.sort_visit(sys.argv[1])
    rows = list(csv.DictReader(io.StringIO(cl.catalogue(sys.argv[1]))))
    for column, unit in (("focal_mm", "mm"), ("iso", "ISO")):
        counts = Counter(float(row[column]) for row in rows if row[column])
        for value, count in sorted(counts.items()):
            print(f"{value:7.0f} {unit:4} {'■' * count} {count}")


if __name__ == "__main__":  # sorting and finishing start processes, which read this file again
    main()
