"""Slips: each kind is seen on a virtual phone, kept with its span, and can be cut out."""

from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from collector.errors import TagError
from collector.onphone import LoopSettings
from collector.planning.plan import Limits, Segment
from collector.slips.cut import cut_slip, slip_numbered
from collector.slips.listing import cuttable
from collector.slips.watch import Scene, SlipWatch
from collector.tagging.tags import Tagger
from collector.virtual.handset import ALDER, Handset
from collector.virtual.loads import GAME, NAVIGATION, STANDBY, VOICE_CALL, Activity
from collector.virtual.loop import LoopTwin
from parsers.assemble import Assembler
from parsers.runfolder import Clocks, Manifest, PhoneEntry, RunFolder
from parsers.slips import read_slips
from parsers.tags import read_tags, resolve

START = datetime(2026, 5, 4, 6, tzinfo=UTC)
PLANNED = Segment(name="navigation", duration_min=30, app="org.example.wayfinder", screen="on")


class Watched:
    """One virtual phone, led along second by second, and what the watch says of it."""

    def __init__(self, run: RunFolder, watch: SlipWatch, label: str, activity: Activity) -> None:
        self.handset = Handset(ALDER, [], seed=3, until_off=False)
        self.handset.set_activity(activity)
        self.label = label
        self.scene = Scene()
        self._watch = watch
        self._loop = LoopTwin(LoopSettings(fast="uevent"))
        self._assembler = Assembler(label)
        self.now_s = 0

    def live(self, seconds: int) -> None:
        for _ in range(seconds):
            self.now_s += 1
            self.handset.advance_to(self.handset.boot_s + 1.0)
            block = self._loop.block(self.handset.state())
            tick = self._assembler.feed(
                block, START + timedelta(seconds=self.now_s), float(self.now_s)
            )
            self._watch.follow(self.label, tick, self.scene)


@pytest.fixture
def run(tmp_path: Path) -> RunFolder:
    folder = RunFolder(tmp_path)
    folder.write_manifest(
        Manifest(
            run_id="r",
            tool_version="0",
            clocks=Clocks(utc=START, host_s=0.0),
            phones=tuple(PhoneEntry(label=x, phone_hash="0") for x in ("alder-1", "birch-1")),
        )
    )
    return folder


def kinds(run: RunFolder) -> list[tuple[str, bool]]:
    return [(s.begin.kind, s.over is not None) for s in read_slips(run.slips_path).slips]


Act = Callable[[Handset], object]


def brighter(handset: Handset) -> object:
    return handset.settings.update({("system", "screen_brightness"): "90"})


def saver(handset: Handset) -> object:
    return handset.settings.update({("global", "low_power"): "1"})


@pytest.mark.parametrize(
    ("act", "undo", "expected"),
    [
        (
            lambda h: h.set_activity(GAME),
            lambda h: h.set_activity(NAVIGATION),
            {"wrong_app", "brightness"},
        ),
        (lambda h: h.set_activity(STANDBY), lambda h: h.set_activity(NAVIGATION), {"screen"}),
        (
            lambda h: h.set_activity(VOICE_CALL),
            lambda h: h.set_activity(NAVIGATION),
            {"screen", "call"},
        ),
        (lambda h: h.plug(True), lambda h: h.plug(False), {"cable"}),
        (brighter, lambda h: h.settings.clear(), {"brightness"}),
        (saver, lambda h: h.settings.clear(), {"saver"}),
    ],
    ids=["game", "dark", "call", "cable", "brighter", "saver"],
)
@pytest.mark.parametrize("wanted", [PLANNED, None], ids=["planned", "free"])
def test_each_slip_is_seen_and_seen_to_be_over(
    run: RunFolder, act: Act, undo: Act, expected: set[str], wanted: Segment | None
) -> None:
    watch = SlipWatch(run, ["alder-1"], Limits())
    phone = Watched(run, watch, "alder-1", NAVIGATION)
    phone.scene = Scene(segment="navigation", since_s=0.0, wanted=wanted)
    phone.live(100)
    assert kinds(run) == [], "a quiet segment has none"
    act(phone.handset)
    phone.live(60)
    assert {slip.kind for slip in watch.going_on} == expected
    seen = read_slips(run.slips_path).slips
    assert all(slip.begin.segment == "navigation" for slip in seen)
    assert all(100 <= (slip.begin.at_utc - START).total_seconds() <= 131 for slip in seen), (
        "within one look around"
    )
    undo(phone.handset)
    phone.live(75)
    assert watch.going_on == []
    assert {kind for kind, is_over in kinds(run) if is_over} == expected
    assert len(kinds(run)) == len(expected)


def test_heat_and_throttling(run: RunFolder) -> None:
    watch = SlipWatch(run, ["alder-1"], Limits())
    hot = Watched(run, watch, "alder-1", GAME)
    hot.handset = Handset(ALDER, [], seed=3, ambient_c=46.0, until_off=False)
    hot.handset.set_activity(GAME)
    hot.live(40)
    assert {slip.kind for slip in watch.going_on} == {"hot", "throttled"}


def test_a_segment_with_the_wrong_app_from_the_beginning(run: RunFolder) -> None:
    watch = SlipWatch(run, ["alder-1"], Limits())
    phone = Watched(run, watch, "alder-1", GAME)
    phone.scene = Scene(segment="navigation", since_s=0.0, wanted=PLANNED)
    phone.live(90)
    assert kinds(run) == [("wrong_app", False)]
    assert "org.example.tiles in front, not org.example.wayfinder" in watch.going_on[0].text


def test_another_app_is_told_at_the_next_look_once_the_planned_one_was_in_front(
    run: RunFolder,
) -> None:
    watch = SlipWatch(run, ["alder-1"], Limits())
    phone = Watched(run, watch, "alder-1", NAVIGATION)
    phone.scene = Scene(segment="navigation", since_s=0.0, wanted=PLANNED)
    phone.live(2)
    phone.handset.set_activity(GAME)
    phone.live(32)
    assert kinds(run) == [("wrong_app", False)]
    phone.live(20)
    phone.handset.set_activity(NAVIGATION)
    phone.live(60)
    assert kinds(run) == [("wrong_app", True)], "what it looked like in the game means nothing"


def test_a_call_that_belongs_there_is_no_slip(run: RunFolder) -> None:
    watch = SlipWatch(run, ["alder-1"], Limits())
    phone = Watched(run, watch, "alder-1", VOICE_CALL)
    phone.scene = Scene(segment="voice call", since_s=0.0)
    phone.live(120)
    assert kinds(run) == []


def test_phones_that_began_far_apart(run: RunFolder) -> None:
    watch = SlipWatch(run, ["alder-1", "birch-1"], Limits(start_apart_s=10))
    first = Watched(run, watch, "alder-1", NAVIGATION)
    late = Watched(run, watch, "birch-1", STANDBY)
    scene = Scene(segment="navigation", since_s=0.0, wanted=replace_app(PLANNED))
    first.scene = late.scene = scene
    for _ in range(120):
        first.live(1)
        late.live(1)
    late.handset.set_activity(NAVIGATION)
    for _ in range(60):
        first.live(1)
        late.live(1)
    uneven = [s for s in read_slips(run.slips_path).slips if s.begin.kind == "uneven_start"]
    assert [s.begin.phone for s in uneven] == ["birch-1"]
    assert "after the first phone" in uneven[0].begin.text


def replace_app(segment: Segment) -> Segment:
    return segment.model_copy(update={"screen": "any"})


class HandClock:
    now_s = 0.0

    def utc(self) -> datetime:
        return START + timedelta(seconds=self.now_s)

    def monotonic_s(self) -> float:
        return self.now_s


def test_a_slip_is_cut_out_of_its_phone_alone(run: RunFolder) -> None:
    clock = HandClock()
    tagger = Tagger(run, clock)
    tagger.begin("navigation")
    watch = SlipWatch(run, ["alder-1"], Limits())
    phone = Watched(run, watch, "alder-1", NAVIGATION)
    phone.scene = Scene(segment="navigation", since_s=0.0, wanted=PLANNED)
    phone.live(100)
    phone.handset.set_activity(GAME)
    phone.live(60)
    slip = read_slips(run.slips_path).slips[0]
    with pytest.raises(TagError, match="is not over"):
        cut_slip(tagger, run, slip.begin.id)
    phone.handset.set_activity(NAVIGATION)
    phone.live(60)
    clock.now_s = 400.0
    tagger.end()
    assert [number for number, _ in cuttable(read_slips(run.slips_path), run)] == [1, 2]
    cut_slip(tagger, run, slip_numbered(run, 1).begin.id)
    segments = resolve(read_tags(run.tags_path).records)
    slipped = (START + timedelta(seconds=101), START + timedelta(seconds=160))
    for segment in (s for s in segments if s.on("alder-1")):
        assert segment.end is not None
        assert segment.end.at_utc <= slipped[0] or segment.start.at_utc >= slipped[1]
    assert [s.name for s in segments if s.on("birch-1")] == ["navigation"]
    assert cuttable(read_slips(run.slips_path), run) == [], "nothing is offered twice"
    with pytest.raises(TagError, match="no slip 9; the run has 2"):
        slip_numbered(run, 9)


def test_a_torn_line_hides_no_other_slip(run: RunFolder) -> None:
    watch = SlipWatch(run, ["alder-1"], Limits())
    phone = Watched(run, watch, "alder-1", NAVIGATION)
    phone.live(5)
    run.slips_path.write_bytes(b'{"what": "beg')
    phone.handset.plug(True)
    phone.live(15)
    slips = read_slips(run.slips_path)
    assert [s.begin.kind for s in slips.slips] == ["cable"]
    assert len(slips.damage) == 1


def test_the_telephone_part_reaches_the_context() -> None:
    handset = Handset(ALDER, [], seed=3, until_off=False)
    handset.set_activity(VOICE_CALL)
    tick = Assembler("a").feed(
        LoopTwin(LoopSettings(fast="uevent")).block(handset.state()), START, 0.0
    )
    context = {change.name: change.value for change in tick.changes}
    assert context["call"] == "off_hook"
    assert context["network"] == "lte"
