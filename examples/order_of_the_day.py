"""The order of a planned day as a table for a spreadsheet: when, what, from where, with what.

python examples/order_of_the_day.py VISIT.toml FOLDER-FOR-THE-PLAN
"""

import csv
import sys

import clerestory as cl


def main() -> None:
    plan = cl.plan_visit(sys.argv[1], sys.argv[2]).plan
    table = csv.writer(sys.stdout, lineterminator="\n")
    table.writerow(["from", "to", "view", "stand at", "focal length, mm", "f-number", "seconds", "ISO"])
    for stop in plan.timetable.stops:
        view = plan.view(stop.view)
        table.writerow([
            plan.clock(stop.start), plan.clock(stop.end), stop.view, view.framing.station, round(view.framing.focal),
            view.focus.f_number, round(view.settings.seconds, 4), round(view.settings.iso),
        ])  # fmt: skip


if __name__ == "__main__":  # sorting and finishing start processes, which read this file again
    main()
