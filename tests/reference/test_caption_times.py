"""Times in caption files, as their formats spell them."""

import re

import pysubs2
import pytest
import webvtt

from analysis.outputs import captions
from analysis.outputs.readouts import Readout
from analysis.outputs.timecode import stamp

MOMENTS_MS = (0, 1, 999, 59_999, 60_000, 3_599_999, 3_600_000, 3_661_001, 359_999_999)


@pytest.mark.reference(source="W3C WebVTT", locator="4.1, WebVTT timestamp")
def test_webvtt_times() -> None:
    assert stamp(3661.001, ".") == "01:01:01.001"
    for ms in (*MOMENTS_MS, 360_000_000, 108_000_000 * 10):
        text = stamp(ms / 1000, ".")
        assert re.fullmatch(r"\d{2,}:[0-5]\d:[0-5]\d\.\d{3}", text)
        hours, minutes, rest = text.split(":")
        assert int(hours) * 3_600_000 + int(minutes) * 60_000 + round(float(rest) * 1000) == ms


@pytest.mark.reference(source="SubRip text files, de facto", locator="time line, decimal comma")
def test_subrip_times() -> None:
    assert stamp(3661.001, ",") == "01:01:01,001"
    for ms in MOMENTS_MS:
        text = f"1\n{stamp(ms / 1000, ',')} --> {stamp((ms + 1) / 1000, ',')}\nx\n"
        if ms < 359_999_999:  # that reader stops at 99:59:59.999
            (event,) = pysubs2.SSAFile.from_string(text, "srt")
            assert (event.start, event.end) == (ms, ms + 1)


@pytest.mark.reference(source="W3C WebVTT", locator="4.1, WebVTT file body")
def test_a_file_of_several_days_is_in_order() -> None:
    readouts = [
        Readout(start_s=k * 3600.0, end_s=k * 3600.0 + 5.0, run_s=k * 3600.0, phones=())
        for k in range(0, 130, 10)
    ]
    text = captions.webvtt(captions.cues(readouts, set()))
    assert text.startswith("WEBVTT\n\n")
    read = list(webvtt.from_string(text).captions)
    starts = [caption.start_in_seconds for caption in read]
    assert starts == [k * 3600 for k in range(0, 130, 10)]
    assert "120:00:00.000 --> 120:00:05.000" in text
