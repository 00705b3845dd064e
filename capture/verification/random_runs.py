"""Random runs of the virtual rig, recorded like any other, with the truth beside them."""

from __future__ import annotations

import math
import time
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np

from capture.bench import Bench
from capture.calibration.channel import Calibration
from capture.calibration.laws import Line
from capture.calibration.logger import CalibratedLogger
from capture.engine.live_run import Settings
from capture.engine.session import Session
from capture.engine.snapshot import RecordingState
from capture.errors import StorageError
from capture.links.virtual import VirtualLink
from capture.model.pack import FAST, PACKS, SLOW
from capture.model.rig import VirtualRig
from capture.model.scenario import Imperfection
from capture.model.work import STEP_S
from capture.run_card import RunCard

if TYPE_CHECKING:
    from collections.abc import Sequence
    from pathlib import Path

    import numpy.typing as npt

    from capture.model.rig import Truth
    from capture.model.scenario import Scenario

    Floats = npt.NDArray[np.float64]

#: A hobby logger that was calibrated and zeroed: standard deviations from which each run's errors are drawn,
#: and which its bench file states. Common practice, no source.
CURRENT_GAIN: Final = 0.0005
VOLTAGE_GAIN: Final = 0.0003
CURRENT_OFFSET_A: Final = 0.004
VOLTAGE_OFFSET_V: Final = 0.003
_LEAST_S, _MOST_S = 60.0, 120.0
_SPEED: Final = 1000.0
_PATIENCE_S: Final = 300.0
#: The motor draws; below it is only the tool's electronics.
_DRAWS_A: Final = 0.5
_PAUSE_S: Final = 0.4
#: What is shorter is no cut by definition, such as one that the end of the recording cuts off.
_SHORTEST_S: Final = 0.3


@dataclass(frozen=True, slots=True, eq=False)
class TrueRun:
    """What really happened: integrals, the spans in which the motor drew (s), and the pack's true response.

    Times count from the recording's first sample. `warmth_degc` (n, every `STEP_S`) is the temperature of the
    pack; `mean_degc` its mean weighted with the squared current, by which a resistance is seen.
    """

    integrals: Truth
    cuts: tuple[tuple[float, float], ...]
    scenario: Scenario
    warmth_degc: Floats
    mean_degc: float

    def response(self, after_s: float, at_s: float | None = None) -> float:
        """Return the true pulse resistance in ohm, of the whole run or of a step at `at_s`."""
        degc = self.mean_degc
        if at_s is not None:
            degc = float(self.warmth_degc[min(int(at_s / STEP_S), len(self.warmth_degc) - 1)])
        ohmic, fast, slow = (float(part.sum()) for part in self.scenario.groups().resistances(degc))
        joint_ohm = self.scenario.pack.joint_ohm + self.scenario.condition.joint_ohm
        fast *= 1 - math.exp(-after_s / FAST.time_s)
        slow *= 1 - math.exp(-after_s / SLOW.time_s)
        return ohmic + joint_ohm + fast + slow


@dataclass(frozen=True, slots=True, eq=False)
class RandomRun:
    """A recording of the virtual rig and what it should tell."""

    recording: Path
    truth: TrueRun


def random_run(random: np.random.Generator, folder: Path) -> RandomRun:
    """Return a run of a random pack, charge, warmth, work and logger, recorded in `folder`.

    The samples take the way of any logger's: frames, decoder, order, recorder. Raises StorageError where the
    recording cannot be written.
    """
    name = str(random.choice(sorted(PACKS)))
    errors = {
        "current": Imperfection(random.normal(0, CURRENT_GAIN), random.normal(0, CURRENT_OFFSET_A)),
        "voltage": Imperfection(random.normal(0, VOLTAGE_GAIN), random.normal(0, VOLTAGE_OFFSET_V)),
    }
    rig = VirtualRig(
        PACKS[name],
        int(random.integers(1, 2**31)),
        charge=float(random.uniform(0.55, 1.0)),
        ambient_degc=float(random.uniform(12.0, 32.0)),
        imperfections=errors,
    )
    samples = int(random.uniform(_LEAST_S, _MOST_S) / STEP_S)
    pack = PACKS[name]
    card = RunCard(pack=name, series=pack.series, capacity_ah=pack.capacity_ah, chemistry="nmc")
    return RandomRun(_recorded(rig, card, samples, folder), _truth(rig, samples))


def _stated() -> CalibratedLogger:
    """Return what the bench file of such a logger says."""
    known = (
        Calibration("current_a", Line(), u_scale=CURRENT_GAIN, u_offset=CURRENT_OFFSET_A),
        Calibration("voltage_v", Line(), u_scale=VOLTAGE_GAIN, u_offset=VOLTAGE_OFFSET_V),
    )
    return CalibratedLogger("virtual", {calibration.column: calibration for calibration in known})


def _recorded(rig: VirtualRig, card: RunCard, samples: int, folder: Path) -> Path:
    settings = Settings(
        folder,
        card,
        record_at_once=True,
        seconds=samples * STEP_S,
        bench=Bench(loggers={"virtual": _stated()}),
        logger="virtual",
    )
    session = Session(VirtualLink("sim:polesaw", rig, _SPEED), settings)
    session.open()
    try:
        deadline = time.monotonic() + _PATIENCE_S
        while time.monotonic() < deadline:
            snapshot = session.snapshot()
            if snapshot.recording.state is RecordingState.SAVED and snapshot.recording.path is not None:
                return snapshot.recording.path
            time.sleep(0.02)
    finally:
        session.close()
    raise StorageError("was not finished in time", str(folder), "Try again when the machine is less busy.")


def _truth(rig: VirtualRig, samples: int) -> TrueRun:
    motor, degc, square = [], [], []
    for lived in rig.lived(0, samples):
        stretch = lived.truth
        motor.append(stretch.motor_a * stretch.duty)
        degc.append(np.broadcast_to(stretch.pack_temperature_degc, stretch.current_a.shape))
        square.append(stretch.current_square_a2)
    warmth = np.concatenate(degc)[:samples]
    return TrueRun(
        rig.truth(0, samples),
        _spans(np.concatenate(motor)[:samples]),
        rig.scenario,
        warmth,
        float(np.average(warmth, weights=np.concatenate(square)[:samples])),
    )


def _spans(motor_a: Floats) -> tuple[tuple[float, float], ...]:
    """Return from when to when the motor drew, in s; short pauses do not part two spans."""
    drawing = np.flatnonzero(motor_a > _DRAWS_A)
    if len(drawing) == 0:
        return ()
    parts: Sequence[npt.NDArray[np.int64]] = np.split(
        drawing, np.flatnonzero(np.diff(drawing) > _PAUSE_S / STEP_S) + 1
    )
    spans = ((float(part[0]) * STEP_S, float(part[-1]) * STEP_S) for part in parts)
    return tuple(span for span in spans if span[1] - span[0] >= _SHORTEST_S)
