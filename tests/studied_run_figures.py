"""Resistance and work of fixed figures, for the screen that shows them."""

from types import SimpleNamespace

from capture.quantities import Figure
from capture.resistance import Dependence, Resistance
from capture.studies.group_resistance import Closure, GroupResistance, Groups
from capture.studies.motor_line import MotorLine, Reason, SpeedChange
from capture.studies.press_figures import PressFigures
from capture.studies.pulse_resistance import PulseResistance
from capture.studies.typed_measures import TypedMeasure
from capture.studies.work_figures import CutWork, Working
from capture.work import RunWork

RUN = SimpleNamespace(uncertainties={})


def ohm(milliohm, u):
    return Figure(milliohm * 1e-3, u * 1e-3, "Ohm")


PULSES = PulseResistance(
    (), (ohm(26.6, 0.3), ohm(30.5, 0.35), None), ohm(21.9, 0.26), True, (0.3, 12.0), (0.0, 0.31),
    ("voltage is read 1.0 ms later than current: corrected",),
)  # fmt: skip
GROUPS = Groups(
    tuple(
        GroupResistance(number, (None, ohm(2.9 + 0.05 * number + (number == 6), 0.03), None))
        for number in range(1, 11)
    ),
    Closure(1.0, ohm(1.5, 0.2), "joints, straps and leads add 4.9 % of the pack"),
)
RESISTANCE = Resistance(RUN, PULSES, None, None, GROUPS, Dependence(Figure(-1.2e-3, 3e-5, "Ohm/Ah"), None))
UNTOLD = Resistance(RUN, None, None, None, None, Dependence(None, None))


def cut(number, rpm, press=None, says=()):
    speed = Working(30.0, 40.0, Figure(rpm, 12.0, "1/min"))
    return CutWork(number, None, None, None, None, None, speed, None, None, None, None, says, press)


CUTS = tuple(cut(number, 4100.0 - 15 * number) for number in range(1, 6))
CHANGE = SpeedChange(
    Figure(-30.0, 4.0, "1/min"), Figure(-25.0, 0.2, "1/min"), Figure(-4.0, 0.1, "1/min"),
    Figure(-1.0, 4.0, "1/min"), Reason.VOLTAGE, "the terminal voltage explains most of it",
)  # fmt: skip
LINE = MotorLine(Figure(105.8, 0.1, "1/min/V"), Figure(0.086, 1e-3, "Ohm"), 4.0)
WORK = RunWork(
    RUN, CUTS, LINE, (None, *[CHANGE] * 4), None, CUTS[0].working, None,
    (TypedMeasure("air [bold]speed", Figure(61.5, 0.3, "m/s"), 3, (1, 2, 3)),),
)  # fmt: skip
PRESS = PressFigures(Figure(28_400.0, 280.0, "N"), Figure(28_500.0, 290.0, "N"), None, None)
NO_WORK = RunWork(RUN, (), "it takes 4 free runs and works with a speed; there are 0", (), None, None, None)
