"""What a user's own frames say of hands, camera and lenses, for the next plan.

A frame counts as sharp while the hand's movement during it stays below 1/4000 of the frame's diagonal (twice its
RMS radius; `camera.steadiness.SHARP_SHARE`). That is judged within a run of frames of one view: a sharp one shows at
least the fine detail (`Inspection.sharpness`) that its view would show blurred by that much. Where every frame is
soft by the sorter's own mark, none of the run counts as sharp. Frames alone in their view, brackets and wide sets
have nothing to be compared with and are not judged.
"""

from clerestory.learn.folders import LearnedVisits, learn_folders
from clerestory.learn.measure import Learned, learn
from clerestory.learn.page import learned_page
from clerestory.learn.planned import comparisons, lights

__all__ = ["Learned", "LearnedVisits", "comparisons", "learn", "learn_folders", "learned_page", "lights"]
