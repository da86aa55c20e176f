"""Hints as they are typed."""

import pytest

from pulsefind.core.errors import HintError
from pulsefind.core.hints import parse_bpm, parse_meter, parse_range, parse_time


def test_meters():
    assert parse_meter("7/8") == (7, 8)
    assert parse_meter(" 12/8 ") == (12, 8)


@pytest.mark.parametrize("text", ["4", "4/5", "8/8", "1/4", "4/4/4", "x/4", "-3/4", ""])
def test_meters_that_can_not_be_counted(text):
    with pytest.raises(HintError, match="--meter"):
        parse_meter(text)


def test_tempi():
    assert parse_bpm("80:100") == (80, 100)
    low, high = parse_bpm("90")
    assert low < 90 < high


@pytest.mark.parametrize("text", ["100:80", "90:90", "5:10", "300:500", "fast", "80-100", ":90"])
def test_tempi_that_can_not_be_meant(text):
    with pytest.raises(HintError, match="--bpm"):
        parse_bpm(text)


def test_times():
    assert parse_time("12.34", "--one-at") == 12.34
    assert parse_time("1:02.5", "--one-at") == 62.5
    assert parse_time("1:02:03", "--one-at") == 3723
    assert parse_time("90", "--one-at") == 90


@pytest.mark.parametrize("text", ["", "-3", "1:75", "1:75:00", "1:", "nan", "1e3", "12,5"])
def test_times_that_are_none(text):
    with pytest.raises(HintError, match="--one-at"):
        parse_time(text, "--one-at")


def test_ranges():
    assert parse_range("0:30-2:10") == (30, 130)
    assert parse_range("30-") == (30, None)
    assert parse_range("-2:10") == (None, 130)


@pytest.mark.parametrize("text", ["30", "-", "2:10-0:30", "30-30", "a-b"])
def test_ranges_that_are_empty(text):
    with pytest.raises(HintError, match="--range"):
        parse_range(text)
