"""Planning a visit: views, stations, kit, light, timetable, field card."""

from clerestory.plan.reckoning import Plan, compute
from clerestory.plan.run import PlanResult, make, new_visit

__all__ = ["Plan", "PlanResult", "compute", "make", "new_visit"]
