"""A chain is a tuple of stages: slices of it, and what a processor has to be to stand in one."""

from __future__ import annotations

import json
import re
from pathlib import Path
from typing import get_type_hints

import numpy as np
import pytest

import test_processor_laws
from conftest import noise
from mixwright.dsp.band import BandSettings
from mixwright.dsp.compressor import CompressorSettings
from mixwright.dsp.curve import Curve, CurveMove
from mixwright.dsp.eq import BandRide, EqSettings
from mixwright.dsp.expander import ExpanderSettings
from mixwright.dsp.inserts import INSERTS
from mixwright.dsp.reduction import CountedReduction
from mixwright.rendering.chain import Chain, SampleSpan
from mixwright.rendering.parts import ChainPlan
from mixwright.rendering.stages import EqStage, InsertsStage, ProcessorStage
from mixwright.sheet import schema_path
from mixwright.sheet.model import CHAIN_PARTS, PROCESSORS, ProcessorKind

ENGINE = Path(__file__).resolve().parents[1] / "engine" / "mixwright"
MOST_FILES = 6
SPAN = SampleSpan(0, 0, None, 48000)

STILL, MOVING = BandSettings("bell", 900.0, 6.0), BandSettings("bell", 3000.0, -2.0)
RIDE = BandRide(1, None, Curve("plain", -2.0, (CurveMove(4800, 480, 4.0),)))
WHOLE = ChainPlan(
    (
        EqStage(EqSettings((STILL, MOVING), (RIDE,)), level_match=True),
        ProcessorStage("gate", ExpanderSettings(-60.0, look_ahead_ms=2.0), key="kick"),
        ProcessorStage("compressor", CompressorSettings(-20.0, 4.0), "snare", "matched"),
        InsertsStage((INSERTS["saturation"](),), level_match=True),
    )
)


def test_a_processor_is_named_in_few_files() -> None:
    # Where it is declared, and what speaks of it for a reason of its own; nothing that only goes
    # through the processors of a chain.
    naming = re.compile(r"de[_-]esser|DeEsser")
    found = [
        str(path.relative_to(ENGINE))
        for path in sorted(ENGINE.rglob("*.py"))
        if "dsp" not in path.relative_to(ENGINE).parts and naming.search(path.read_text("utf-8"))
    ]
    assert "sheet/model.py" in found
    assert len(found) <= MOST_FILES, found


def test_the_parts_of_a_chain_stand_in_the_schema_in_the_order_of_the_signal() -> None:
    definitions = json.loads(schema_path().read_text("utf-8"))["$defs"]
    for strip in ("track", "group"):
        keys = definitions[strip]["properties"]
        assert tuple(key for key in keys if key in CHAIN_PARTS) == CHAIN_PARTS


@pytest.mark.parametrize("kind", PROCESSORS, ids=lambda kind: str(kind.id))
def test_every_processor_goes_by_a_key_and_says_when_it_has_settled(kind: ProcessorKind) -> None:
    of_kind = get_type_hints(kind.model)["settings"]
    settings = next(one for one in test_processor_laws.PROCESSORS.values() if type(one) is of_kind)
    fading_ms, held_ms = settings.settling_ms
    assert fading_ms >= 0.0 <= held_ms
    block, silence = noise(1, 0.5, 2), np.zeros((24000, 2))
    running = settings.start(48000, 2)
    alone = running.process(block.copy(), None)
    keyed = settings.start(48000, 2).process(block.copy(), silence)
    # What turns down by a level goes by that of the key; anything else leaves a key alone.
    assert np.array_equal(alone, keyed) is not isinstance(running, CountedReduction)


def test_as_far_as_a_stage_is_a_slice() -> None:
    lengths = [len(WHOLE.as_far_as(kind).stages) for kind in CHAIN_PARTS]
    assert (lengths[0], lengths[-1]) == (1, len(WHOLE.stages))
    assert lengths == sorted(lengths)
    for kind, length in zip(CHAIN_PARTS, lengths, strict=True):
        assert WHOLE.as_far_as(kind).stages == WHOLE.stages[:length]
    assert [len(WHOLE.as_far_as(stage.kind).stages) for stage in WHOLE.stages] == [1, 2, 3, 4]
    assert WHOLE.after_eq == WHOLE.stages[1:]
    assert WHOLE.keys == ("kick", "snare")
    assert WHOLE.as_far_as("gate").keys == ("kick",)
    assert ChainPlan(WHOLE.after_eq).as_far_as("eq").stages == ()


def test_a_stage_says_whether_it_is_matched() -> None:
    assert [kind for kind in CHAIN_PARTS if WHOLE.matches(kind)] == ["eq", "compressor", "inserts"]
    # A band that moves is left out of the match, and there is nothing to match without another.
    assert WHOLE.as_matched("eq").eq == EqSettings((STILL,))
    assert WHOLE.as_matched("compressor") == WHOLE.as_far_as("compressor")
    moving = EqStage(EqSettings((MOVING,), (BandRide(0, None, RIDE.gain_db),)), level_match=True)
    assert not ChainPlan((moving,)).matches("eq")
    set_by_hand = ProcessorStage("compressor", CompressorSettings(-20.0, 4.0), makeup=3.0)
    assert not ChainPlan((set_by_hand,)).matches("compressor")


def test_a_chain_is_its_stages_one_after_the_other() -> None:
    block = noise(3, 1, 2)
    chain = Chain(("tracks", "a"), WHOLE, {}, 48000, 2, SPAN, 0)
    keys = {"kick": noise(4, 1, 2), "snare": noise(5, 1, 2)}
    found = chain.treat(chain.equalise(block.copy(), 0), 0, keys)
    by_hand, lag = block.copy(), 0
    for stage in WHOLE.stages:
        running = stage.start(("tracks", "a"), 48000, 2, 0)
        if stage.key is None:
            running.process(by_hand)
        else:  # as late as the sound is that has come through the stages before
            key = keys[stage.key]
            held = np.vstack([np.zeros((lag, 2)), key])[: len(key)]
            running.process(by_hand, held)
        lag += running.latency
    assert np.array_equal(found, by_hand)
    assert chain.latency == lag > 96
    assert list(chain.reductions) == ["a.gate", "a.compressor"]
