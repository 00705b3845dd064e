"""Reports of a guided test as screens and words get them."""

from capture.guide.steps import Attempt, GuidePlan, GuideReport, Step

PLAN = GuidePlan()
DONE = Attempt(1, 15_000_000, 28_000_000, 20.0, 41.95, 15.0, -1.6e-5)


def report(step=Step.REST, **changes):
    """Return a report of the second of three repeats at this step."""
    whole = {
        "plan": PLAN,
        "step": step,
        "seconds_left": None,
        "repeat": 2,
        "counted": 1,
        "trouble": None,
        "told_a": None,
        "need_a": None,
        "on_s": 0.0,
        "waited_s": 0.0,
        "rested_s": 0.0,
        "drift_v_per_s": None,
        "alarm": None,
        "ending": None,
        "attempts": (DONE,),
    }
    return GuideReport(**{**whole, **changes})
