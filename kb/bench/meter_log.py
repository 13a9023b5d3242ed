"""What a meter's log says about a rail: extremes, mean, drift, and the rhythm when it cycles."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from kb.bench.checks import number, positive, seconds, volts
from kb.bench.log_text import MeterLog, read_log
from kb.bench.rail_types import PULSING_FRACTION, RailReading
from kb.errors import BadInput

__all__ = [
    "LogPicture",
    "LogSummary",
    "MeterLog",
    "log_picture",
    "read_log",
    "summarise",
    "summed_up",
    "to_reading",
]

_GAP_FACTOR = 10.0
# A rail counts as up above three fifths of its swing and as down below two fifths: noise between is ignored.
_UP_SHARE, _DOWN_SHARE = 0.6, 0.4


@dataclass(frozen=True, slots=True)
class LogSummary:
    """A log in figures. Volts, seconds; `drift_v` is the rise of the straight line fitted over the whole log.

    `mean_v` is weighted by time without the gaps. `cycles` counts restarts; `period_s` (median time between
    them) and `duty` (share of the time up, between the first and last restart) need two and are else None.
    """

    rows: int
    duration_s: float
    min_v: float
    max_v: float
    mean_v: float
    drift_v: float
    cycles: int
    period_s: float | None
    duty: float | None
    gaps: int
    longest_gap_s: float
    duplicates: int
    sentence: str

    @property
    def steady_drift_v(self) -> float | None:
        """The drift in volts where it makes up most of what the log moved: a slow fall or rise and no cycling.

        Six tenths of the span are taken as most (common practice); None where the log moved otherwise.
        """
        span = self.max_v - self.min_v
        return None if self.cycling or abs(self.drift_v) < 0.6 * span or span == 0 else self.drift_v

    @property
    def cycling(self) -> bool:
        """True when the rail came up more than once."""
        return self.cycles > 1


@dataclass(frozen=True, slots=True)
class LogPicture:
    """The log in at most as many columns as a picture has: time, and least and greatest volts of each."""

    seconds: tuple[float, ...]
    low_v: tuple[float, ...]
    high_v: tuple[float, ...]


def summed_up(text: str, nominal_v: float | None) -> tuple[LogSummary, LogPicture, tuple[str, ...]]:
    """A log as it was sent in figures and as a picture, with the first rows that were no readings.

    Raises BadInput as `read_log` does.
    """
    log = read_log(text)
    return summarise(log, nominal_v), log_picture(log), log.first_skipped


def summarise(log: MeterLog, nominal_v: float | None = None) -> LogSummary:
    """Figures of a log. Whether it cycles is decided against `nominal_v`, else against its own greatest value.

    Raises:
        BadInput: when the log is empty or the nominal voltage is 0.
    """
    times, values = log.seconds, log.volts
    if not len(values):
        raise BadInput("The log holds no readings.", field="log", remedy="Give lines of time and volts.")
    if nominal_v is not None:
        positive(abs(nominal_v), "nominal_v", "the nominal voltage", "Type the rail's nominal volts.")
    steps = np.diff(times)
    moving = steps[steps > 0]
    typical_step = float(np.median(moving)) if len(moving) else 0.0
    gap = steps > _GAP_FACTOR * typical_step if typical_step else np.zeros(len(steps), dtype=bool)
    low, high = float(values.min()), float(values.max())
    scale = abs(nominal_v) if nominal_v is not None else max(abs(low), abs(high))
    oriented = -values if (nominal_v if nominal_v is not None else low + high) < 0 else values
    rhythm = _rhythm(times, oriented) if high - low > PULSING_FRACTION * scale else (0, None, None)
    summary = LogSummary(
        rows=len(values),
        duration_s=float(times[-1] - times[0]),
        min_v=low,
        max_v=high,
        mean_v=_mean(values, steps, gap),
        drift_v=_drift(times, values),
        cycles=rhythm[0],
        period_s=rhythm[1],
        duty=rhythm[2],
        gaps=int(gap.sum()),
        longest_gap_s=float(steps[gap].max()) if gap.any() else 0.0,
        duplicates=int((steps == 0).sum()),
        sentence="",
    )
    return _with_sentence(summary, log)


def _mean(values: NDArray[np.float64], steps: NDArray[np.float64], gap: NDArray[np.bool_]) -> float:
    weights = np.where(gap, 0.0, steps)
    total = float(weights.sum())
    if total <= 0:
        return float(values.mean())
    middles = (values[1:] + values[:-1]) / 2
    return float((middles * weights).sum() / total)


def _drift(times: NDArray[np.float64], values: NDArray[np.float64]) -> float:
    spread = times - times.mean()
    square = float((spread**2).sum())
    if square == 0:
        return 0.0
    slope = float((spread * (values - values.mean())).sum()) / square
    return slope * float(times[-1] - times[0])


def _rhythm(
    times: NDArray[np.float64], values: NDArray[np.float64]
) -> tuple[int, float | None, float | None]:
    """(restarts, median period in s, share of time up), by a threshold with hysteresis."""
    low, high = float(values.min()), float(values.max())
    marks = np.zeros(len(values), dtype=np.int8)
    marks[values >= low + _UP_SHARE * (high - low)] = 1
    marks[values <= low + _DOWN_SHARE * (high - low)] = -1
    known = np.flatnonzero(marks)
    # Between the two thresholds the last clear state holds.
    latest = np.searchsorted(known, np.arange(len(values)), side="right") - 1
    up = marks[known[np.maximum(latest, 0)]] > 0
    rising = np.flatnonzero(up[1:] & ~up[:-1]) + 1
    starts_up = int(up[0])
    restarts = len(rising) + starts_up
    if len(rising) < 2:
        return restarts, None, None
    first, last = rising[0], rising[-1]
    steps = np.diff(times[first : last + 1])
    total = float(steps.sum())
    if total <= 0:
        return restarts, None, None
    period = float(np.median(np.diff(times[rising])))
    return restarts, period, float(steps[up[first:last]].sum()) / total


def _with_sentence(summary: LogSummary, log: MeterLog) -> LogSummary:
    parts = [
        f"{volts(summary.min_v)} to {volts(summary.max_v)}, mean {volts(summary.mean_v)}, "
        f"over {seconds(summary.duration_s)}"
    ]
    if summary.period_s is not None and summary.duty is not None:
        parts.append(
            f"it comes up every {seconds(summary.period_s)} and is up {number(summary.duty * 100, 0)} % of the time"
        )
    elif not summary.cycling:
        parts.append(f"drift {volts(summary.drift_v)}")
    if summary.gaps:
        parts.append(
            f"{summary.gaps} gap{'s' if summary.gaps > 1 else ''}, up to {seconds(summary.longest_gap_s)}"
        )
    if summary.duplicates:
        parts.append(f"{_rows(summary.duplicates)} with the time of the row before")
    if log.skipped:
        parts.append(f"{_rows(log.skipped)} left out, being no readings")
    if log.reordered:
        parts.append("rows were put in order of time")
    if log.counted_times:
        parts.append("the log has no times, so rows were counted")
    return replace(summary, sentence="; ".join(parts) + ".")


def _rows(count: int) -> str:
    return f"{count} row{'' if count == 1 else 's'}"


def to_reading(summary: LogSummary, rail: str, supply: str, load: str) -> RailReading:
    """The log as a reading: minimum and maximum, and the mean as the steady value unless the rail cycles."""
    value = None if summary.cycling else summary.mean_v
    return RailReading(rail, "dc_v", supply, load, value, summary.min_v, summary.max_v)


def log_picture(log: MeterLog, columns: int = 600) -> LogPicture:
    """The log thinned to `columns` for drawing; no spike is lost, because each column keeps both extremes.

    Raises:
        BadInput: when the log is empty or `columns` is below 2.
    """
    if columns < 2 or not len(log.volts):
        raise BadInput(
            "There is nothing to draw.",
            field="log",
            remedy="Give a log with readings and two columns or more.",
        )
    if len(log.volts) <= columns:
        values = tuple(log.volts.tolist())
        return LogPicture(tuple(log.seconds.tolist()), values, values)
    duration = float(log.seconds[-1]) or 1.0
    column = np.minimum((log.seconds / duration * columns).astype(np.int64), columns - 1)
    starts = np.flatnonzero(np.concatenate([[True], np.diff(column) > 0]))
    return LogPicture(
        tuple(log.seconds[starts].tolist()),
        tuple(np.minimum.reduceat(log.volts, starts).tolist()),
        tuple(np.maximum.reduceat(log.volts, starts).tolist()),
    )
