from collections.abc import Callable
from dataclasses import replace
from datetime import timedelta
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from analysis.readings.run import load
from analysis.readings.segments import Segments, cut
from parsers.runfolder import PhoneEnd

Writing = Callable[..., Path]
Tagging = Callable[..., Any]


@pytest.fixture
def cutting(tmp_path: Path, phones_made: list[Any], writing: Writing) -> Callable[..., Segments]:
    def cut_at(tags: list[Any], end: PhoneEnd | None = None) -> Segments:
        phone = replace(phones_made[0], entry={**phones_made[0].entry, "end": end})
        run = load(writing(tmp_path / "run", [phone], tags))
        found = cut(run, run.recordings[0])
        readings = run.recordings[0].readings["t_s"]
        assert found.borders_s[[0, -1]].tolist() == [readings.iloc[0], readings.iloc[-1]]
        assert all(
            a.end_s == b.start_s for a, b in zip(found.pieces, found.pieces[1:], strict=False)
        )
        return found

    return cut_at


def names(segments: Segments) -> list[str]:
    return [piece.name for piece in segments.pieces]


def test_pieces_leave_nothing_out(cutting: Any, tagging: Tagging) -> None:
    found = cutting(
        [
            tagging("begin", 100.0, "a"),
            tagging("end", 200.0),
            tagging("begin", 300.0, "b"),
            tagging("end", 400.0),
        ]
    )
    assert names(found) == ["untagged", "a", "untagged", "b", "untagged"]
    assert np.diff(found.borders_s) == pytest.approx([100, 100, 100, 100, 600], abs=0.05)
    assert 0 < found.border_u_s < 0.1
    assert found.notes == ()


def test_no_tags_make_one_piece(cutting: Any) -> None:
    assert names(cutting([])) == ["untagged"]


def test_order_of_the_tags_in_the_file_does_not_matter(cutting: Any, tagging: Tagging) -> None:
    one = [tagging("begin", 100.0, "a"), tagging("end", 200.0, "a")]
    two = [tagging("begin", 300.0, "b"), tagging("end", 400.0, "b")]
    assert cutting(one + two) == cutting(two + one)


def test_equal_names_are_counted(cutting: Any, tagging: Tagging) -> None:
    tags = [
        tagging(what, at_s, "a" if what == "begin" else None, phone=phone)
        for at_s, phone in ((10.0, None), (200.0, "alder-1"))
        for what, at_s in (("begin", at_s), ("end", at_s + 50))
    ]
    found = cutting(tags)
    assert [(p.name, p.occurrence) for p in found.pieces if p.tagged] == [("a", 1), ("a", 2)]


def test_other_phones_tags_are_not_ours(cutting: Any, tagging: Tagging) -> None:
    tags = [tagging("begin", 10.0, "a", phone="birch-1"), tagging("end", 90.0, phone="birch-1")]
    assert names(cutting(tags)) == ["untagged"]


def test_a_segment_longer_than_the_recording_is_cut_short(cutting: Any, tagging: Tagging) -> None:
    found = cutting([tagging("begin", 900.0, "a"), tagging("end", 1600.0)])
    last = found.pieces[-1]
    assert last.cut_short
    assert last.flags == ("the recording ended 600 s before the segment was to end",)
    assert last.duration_s == pytest.approx(100.0, abs=0.05)


def test_a_shut_off_is_what_the_test_is_for(cutting: Any, tagging: Tagging) -> None:
    seen = PhoneEnd(what="shut_off", evidence="last seen at level 1 %, 3310 mV")
    last = cutting([tagging("begin", 900.0, "a"), tagging("end", 1600.0)], seen).pieces[-1]
    assert last.cut_short
    assert last.flags == ()
    assert last.facts == ("the phone shut off 600 s before the segment was to end",)
    open_ = cutting([tagging("begin", 700.0, "a")], seen).pieces[-1]
    assert (open_.flags, open_.facts) == ((), ("lasted until the phone shut off",))
    lost = PhoneEnd(what="link_lost")
    assert cutting([tagging("begin", 700.0, "a")], lost).pieces[-1].flags


def test_a_segment_after_the_recording_is_dropped_and_said(cutting: Any, tagging: Tagging) -> None:
    found = cutting([tagging("begin", 1200.0, "a"), tagging("end", 1300.0)])
    assert names(found) == ["untagged"]
    assert found.notes == ("segment 'a' no. 1 lies outside the recording; left out",)


def test_a_segment_that_began_before_the_recording(cutting: Any, tagging: Tagging) -> None:
    found = cutting([tagging("begin", -30.0, "a"), tagging("end", 100.0)])
    assert names(found) == ["a", "untagged"]
    assert found.pieces[0].flags == ("the recording began 30 s after the segment",)


def test_an_open_segment_goes_to_the_end(cutting: Any, tagging: Tagging) -> None:
    found = cutting([tagging("begin", 700.0, "a")])
    assert names(found) == ["untagged", "a"]
    assert found.pieces[-1].flags == ("never ended; taken to the end of the recording",)
    assert not found.pieces[-1].cut_short


def test_a_segment_that_begins_inside_another_ends_it(cutting: Any, tagging: Tagging) -> None:
    found = cutting(
        [
            tagging("begin", 100.0, "a"),
            tagging("begin", 300.0, "b"),
            tagging("end", 400.0, "b"),
            tagging("end", 500.0, "a"),
            tagging("begin", 600.0, "c"),
            tagging("begin", 600.0, "d"),
            tagging("end", 700.0, "c"),
            tagging("end", 700.0, "d"),
        ]
    )
    assert names(found) == ["untagged", "a", "b", "untagged", "d", "untagged"]
    assert found.pieces[1].flags == ("ended by 'b' which began inside it",)
    assert found.notes == (
        "segment 'c' no. 1 begins together with 'd', which takes all its time; left out",
    )


def test_wall_clock_tags_are_placed_with_more_doubt(cutting: Any, tagging: Tagging) -> None:
    ends = [("begin", 100.0, "a"), ("end", 200.0, None)]
    exact = cutting([tagging(*end) for end in ends])
    by_hand = cutting([tagging(*end, by_hand=True) for end in ends])
    assert by_hand.borders_s == pytest.approx(exact.borders_s, abs=0.05)
    assert by_hand.border_u_s > 3 * exact.border_u_s


def test_utc_of_a_border_is_the_tags_own(cutting: Any, tagging: Tagging) -> None:
    begin = tagging("begin", 100.0, "a")
    found = cutting([begin, tagging("end", 200.0)])
    assert abs(found.borders_utc[1] - begin.at_utc) < timedelta(seconds=0.05)
