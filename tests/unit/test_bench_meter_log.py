"""Meter logs: dialects, figures, rhythm, and what is wrong with a log."""

from __future__ import annotations

import time

import numpy as np
import pytest

from kb.bench.log_text import read_log
from kb.bench.meter_log import log_picture, summarise, to_reading
from kb.errors import BadInput


@pytest.mark.parametrize(
    "text",
    [
        "0,5.0\n0.5,5.1\n1,4.9\n",
        "time,volts\n0,5.0\n0.5,5.1\n1,4.9\n",
        "0;5,0\n0,5;5,1\n1;4,9\n",
        "Zeit;Spannung\r\n0,0;5,0\r\n0,5;5,1\r\n1,0;4,9\r\n",
        "0\t5.0\n0.5\t5.1\n1\t4.9\n",
        "0 5.0\n0.5 5.1\n1 4.9\n",
        '"0","5.0"\n"0.5","5.1"\n"1","4.9"\n',
        "Time [ms];Voltage [mV]\n0;5000\n500;5100\n1000;4900\n",
        "volts,time\n5.0,0\n5.1,0.5\n4.9,1\n",
        "index,time,value\n1,0,5.0\n2,0.5,5.1\n3,1,4.9\n",
        "0;5.0 V\n0.5;5.1 V\n1;4.9 V\n",
        "12:00:00.0;5,0\n12:00:00.5;5,1\n12:00:01.0;4,9\n",
        "2026-03-02 23:59:59.5,5.0\n2026-03-03 00:00:00.0,5.1\n2026-03-03 00:00:00.5,4.9\n",
        "11:59:59.5 AM,5.0\n12:00:00.0 PM,5.1\n12:00:00.5 PM,4.9\n",
        "﻿Meter export\nSerial;1234\nTime;Volt\n0;5.0\n0.5;5.1\n1;4.9",
    ],
)
def test_every_usual_dialect_gives_the_same_log(text: str) -> None:
    log = read_log(text)
    assert log.seconds.tolist() == pytest.approx([0.0, 0.5, 1.0])
    assert log.volts.tolist() == pytest.approx([5.0, 5.1, 4.9])
    assert log.skipped == 0


def test_text_and_overload_are_left_out_and_counted_with_their_lines() -> None:
    log = read_log("t,v\n0,5.0\n1,OL\n2,5.1\nbattery low\n3,5.2\n")
    assert log.volts.tolist() == [5.0, 5.1, 5.2]
    assert log.skipped == 2
    assert log.first_skipped == ("line 3: 1,OL", "line 5: battery low")
    assert "2 rows left out" in summarise(log).sentence


def test_an_overload_in_the_first_row_is_counted_too() -> None:
    assert read_log("t,v\n0,OL\n1,5.0\n2,5.0\n").skipped == 1


def test_not_a_number_and_infinity_are_no_readings() -> None:
    log = read_log("0;nan\n1;5.0\n2;inf\n3;5.1\n")
    assert (log.volts.tolist(), log.skipped) == ([5.0, 5.1], 2)


@pytest.mark.parametrize("text", ["", "   \n", "hello\nworld\n", "time,volts\n"])
def test_a_log_without_readings_is_refused(text: str) -> None:
    with pytest.raises(BadInput) as refused:
        read_log(text)
    assert refused.value.remedy


@pytest.mark.parametrize("text", ["0,5,4,98\n1,0,5,01\n", "5,01\n5,02\n"])
def test_commas_that_may_mean_two_things_are_refused(text: str) -> None:
    with pytest.raises(BadInput, match="Commas"):
        read_log(text)


def test_whole_numbers_in_two_columns_are_read() -> None:
    assert read_log("0,12\n1,12\n2,0\n").volts.tolist() == [12.0, 12.0, 0.0]


def test_a_log_of_volts_alone_is_timed_by_its_rows_and_says_so() -> None:
    log = read_log("5.0\n5.1\n5.2\n", row_interval_s=0.25)
    assert log.seconds.tolist() == [0.0, 0.25, 0.5]
    assert "no times" in summarise(log).sentence


def test_rows_out_of_order_are_put_in_order() -> None:
    log = read_log("2;5.2\n0;5.0\n1;5.1\n")
    assert log.reordered
    assert log.volts.tolist() == [5.0, 5.1, 5.2]
    assert log.seconds.tolist() == [0.0, 1.0, 2.0]


def test_gaps_and_duplicates_are_counted_and_gaps_do_not_weigh_in_the_mean() -> None:
    rows = [(float(second), 5.0) for second in range(20)] + [(19.0, 5.0), (1019.0, 6.0), (1020.0, 6.0)]
    summary = summarise(read_log("\n".join(f"{second};{volts}" for second, volts in rows)))
    assert (summary.gaps, summary.longest_gap_s, summary.duplicates) == (1, 1000.0, 1)
    assert summary.mean_v == pytest.approx((19 * 5.0 + 6.0) / 20)


def test_the_mean_is_weighted_by_time() -> None:
    summary = summarise(read_log("0;0\n1;4\n3;4\n"))
    assert summary.mean_v == pytest.approx((2 + 8) / 3)


def test_drift_is_the_rise_of_the_fitted_line() -> None:
    seconds = np.arange(0, 100, 0.5)
    text = "\n".join(f"{second};{5 + 0.002 * second}" for second in seconds)
    summary = summarise(read_log(text))
    assert summary.drift_v == pytest.approx(0.002 * 99.5)
    assert not summary.cycling


@pytest.mark.parametrize("nominal_v", [12.0, -12.0, None])
def test_a_cycling_rail_gives_its_period_and_duty(nominal_v: float | None) -> None:
    sign = -1 if nominal_v == -12.0 else 1
    noise = np.random.default_rng(7)
    seconds = np.arange(0, 60, 0.05)
    volts = np.where((seconds % 2.0) < 0.6, 9.4, 0.1) + noise.normal(0, 0.05, len(seconds))
    log = read_log(
        "\n".join(f"{second:.2f};{sign * volt:.4f}" for second, volt in zip(seconds, volts, strict=True))
    )
    summary = summarise(log, nominal_v)
    assert summary.period_s == pytest.approx(2.0, abs=0.05)
    assert summary.duty == pytest.approx(0.3, abs=0.03)
    assert summary.cycles == 30
    assert summary.cycling


def test_a_steady_rail_with_noise_does_not_cycle() -> None:
    noise = np.random.default_rng(8)
    text = "\n".join(f"{row};{volt:.4f}" for row, volt in enumerate(5 + noise.normal(0, 0.02, 500)))
    summary = summarise(read_log(text), 5.0)
    assert (summary.cycles, summary.period_s, summary.duty) == (0, None, None)


def test_a_log_becomes_a_reading() -> None:
    steady = to_reading(summarise(read_log("0;5.0\n1;5.1\n2;5.0\n"), 5.0), "5V", "running", "none")
    assert (steady.value, steady.min, steady.max) == (pytest.approx(5.05), 5.0, 5.1)
    text = "\n".join(f"{row};{12 if row % 4 < 2 else 0}" for row in range(20))
    cycling = to_reading(summarise(read_log(text), 12.0), "12V", "running", "none")
    assert (cycling.value, cycling.min, cycling.max) == (None, 0.0, 12.0)


def test_a_picture_keeps_every_spike() -> None:
    volts = np.full(50_000, 5.0)
    volts[31_234] = 9.0
    text = "\n".join(f"{row};{volt}" for row, volt in enumerate(volts))
    drawn = log_picture(read_log(text), 300)
    assert len(drawn.seconds) == len(drawn.low_v) == len(drawn.high_v) <= 300
    assert max(drawn.high_v) == 9.0
    assert min(drawn.low_v) == 5.0
    short = log_picture(read_log("0;5.0\n1;5.1\n"))
    assert short.low_v == short.high_v == (5.0, 5.1)


@pytest.mark.parametrize("rows", [50_000, pytest.param(1_000_000, marks=pytest.mark.long)])
@pytest.mark.parametrize("dialect", ["plain", "comma", "clock", "with text"])
def test_a_million_rows_are_read_and_summed_up_in_seconds(dialect: str, rows: int) -> None:
    hundredths = np.arange(rows)
    volts = np.char.mod("%.3f", 5 + 0.1 * np.sin(hundredths / 500))
    if dialect == "clock":
        second = hundredths // 100
        stamps = [
            f"{s // 3600 % 24:02d}:{s // 60 % 60:02d}:{s % 60:02d}.{h % 100:02d}"
            for h, s in enumerate(second)
        ]
    else:
        stamps = [f"{h // 100}.{h % 100:02d}" for h in range(rows)]
    lines = [f"{stamp};{volt}" for stamp, volt in zip(stamps, volts.tolist(), strict=True)]
    if dialect == "with text":
        lines[rows // 2] = "range changed"
    text = "time;volts\n" + "\n".join(lines)
    if dialect == "comma":
        text = text.replace(".", ",")
    began = time.process_time()
    log = read_log(text)
    summary = summarise(log, 5.0)
    assert time.process_time() - began < 5.0  # for the million
    assert summary.rows == rows - (dialect == "with text")
    assert summary.duration_s == pytest.approx((rows - 1) / 100)
    assert (summary.min_v, summary.max_v) == (4.9, 5.1)
