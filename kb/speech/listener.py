"""What a sound may say, by a network that writes text, held to a grammar. Runs in a process beside the program.

The network (Jeffries et al., Moonshine: speech recognition for live transcription and voice commands, 2024) has heard
far more voices and noises than the acoustic model of `recogniser.py`, and knows no grammar: left alone it writes
"stand by first loan". Here it may write only what a sentence of the page can be written as (`written.py`), and the
likeliest of these are searched for with a beam. It proposes; `choice.py` weighs it against the other recogniser.

Its files are taken from the wheel of moonshine-voice, which is not imported; onnxruntime computes it.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache
from importlib.util import find_spec
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from kb.speech.automaton import automaton_of
from kb.speech.language import ENGLISH
from kb.speech.pieces import END, START, Pieces, pieces_of
from kb.speech.written import At, Writing, in_words

Heard = NDArray[np.float32]
"""A sound as the network's encoder hands it on: one row, some 41 vectors a second, 288 numbers each."""
_ENCODER, _DECODER, _PIECES = "encoder_model.ort", "decoder_model_merged.ort", "tokenizer.bin"
_PAST = "past_key_values"
_WIDTH = 6
"""How many beginnings are followed at once; no more were found right with 8, which take a quarter longer."""
_MOST_PIECES = 48
_BEHIND = 5.0
"""A beginning that is so much less likely than the best of its length is given up."""
_WORSE = 12.0
"""The same for one that is less likely than the best whole sentence."""
_MOST = 10
"""How many ways to write what was said are returned."""


@dataclass(frozen=True, slots=True)
class Proposal:
    """Sentences that one way of writing may stand for, and the natural logarithm of how likely it is."""

    sentences: tuple[tuple[str, ...], ...]
    fit: float


@dataclass(frozen=True, slots=True)
class Listened:
    """The likeliest ways to write what a sound says, likeliest first, and what the network's encoder made of it."""

    proposals: tuple[Proposal, ...]
    heard: Heard


def is_installed() -> bool:
    """Whether the network can be computed here."""
    return find_spec("onnxruntime") is not None and _files() is not None


def _files() -> Path | None:
    """The folder of the network's files, found without importing the package that carries them."""
    found = find_spec("moonshine_voice")
    for place in found.submodule_search_locations or () if found else ():
        folder = Path(place) / "assets" / "tiny-en"
        if all((folder / name).is_file() for name in (_ENCODER, _DECODER, _PIECES)):
            return folder
    return None


def propose(sound: bytes, grammar: str) -> Listened:
    """The likeliest ways to write what a sound says, none where the grammar allows nothing.

    `sound` is 16-bit samples, little-endian, 16,000 a second, with half a second of silence around the speech, as
    the network is used to. What the encoder made of it is handed back for `weigh`, so that nothing of a sound stays
    here and nothing is computed twice.
    """
    network = _network()
    heard = network.hear(_samples(sound))
    return Listened(network.search(heard, _writing(grammar)), heard)


def weigh(heard: Heard, sentences: Sequence[tuple[str, ...]]) -> list[float]:
    """How likely each of the sentences is, as the natural logarithm.

    All are written in the same way, in words, so that they can be compared with each other: the likeliest way of each
    that a beam comes across is likely for one and far from it for the next. `heard` is what `propose` made of the
    sound.
    """
    return _network().likely(heard, [in_words(words, ENGLISH) for words in sentences])


def _samples(sound: bytes) -> NDArray[np.float32]:
    return np.frombuffer(sound, dtype="<i2").astype(np.float32) / np.float32(32768)


def get_ready(grammar: str) -> bool:
    """Loads the network and the grammar, so that the first sound does not wait for them."""
    _network()
    _writing(grammar)
    return True


@lru_cache(maxsize=1)
def _network() -> _Network:
    folder = _files()
    assert folder is not None, "asked for only where is_installed()"
    return _Network(folder)


@lru_cache(maxsize=32)
def _writing(grammar: str) -> Writing:
    return Writing(automaton_of(grammar), ENGLISH, _network().cut)


@dataclass(frozen=True, slots=True)
class _Place:
    """A place in the grammar with the pieces still to come until its word is complete."""

    at: At
    to_come: tuple[int, ...] = ()
    paused: bool = False


@dataclass(frozen=True, slots=True)
class _Beginning:
    """What was written so far, how likely it is, and all the places it may have led to."""

    written: tuple[int, ...]
    fit: float
    places: frozenset[_Place]


class _Network:
    def __init__(self, folder: Path) -> None:
        import onnxruntime

        options = onnxruntime.SessionOptions()
        options.intra_op_num_threads, options.inter_op_num_threads = 2, 1
        options.add_session_config_entry("session.intra_op.allow_spinning", "0")
        options.log_severity_level = 3
        self.pieces: Pieces = pieces_of(folder / _PIECES)
        self._encoder, self._decoder = (
            onnxruntime.InferenceSession(str(folder / name), options, providers=["CPUExecutionProvider"])
            for name in (_ENCODER, _DECODER)
        )
        self.inputs = {one.name: one.shape for one in self._decoder.get_inputs()}
        self.outputs = [one.name for one in self._decoder.get_outputs()]
        self.cut = lru_cache(maxsize=4096)(self.pieces.cut)
        (self._comma,), (self._dot,) = self.pieces.cut(","), self.pieces.cut(".")

    def hear(self, samples: NDArray[np.float32]) -> Heard:
        """What the encoder makes of a sound."""
        given = {"input_values": samples[None], "attention_mask": np.ones((1, len(samples)), np.int64)}
        heard: Heard = self._encoder.run(None, given)[0]
        return heard

    def search(self, heard: Heard, writing: Writing) -> tuple[Proposal, ...]:
        """The likeliest ways to write the sound within the grammar: a beam over its pieces."""
        steps = _Steps(self, heard)
        beam = [_Beginning((), 0.0, frozenset({_Place(At(0))}))]
        likely = steps.behind_start
        found: list[Proposal] = []
        while beam and len(beam[0].written) < _MOST_PIECES:
            reached = self._reached(beam, writing)
            ranked = sorted(
                ((beam[row].fit + float(likely[row, piece]), row, piece) for row, piece in reached),
                reverse=True,
            )
            least = max((one.fit for one in found), default=float("-inf")) - _WORSE
            kept: list[tuple[int, _Beginning]] = []
            for fit, row, piece in ranked:
                if fit < max(least, ranked[0][0] - _BEHIND) or len(kept) == _WIDTH:
                    break
                places = frozenset(reached[row, piece])
                if piece == END:
                    found.append(Proposal(tuple(sorted({one.at.words for one in places})), fit))
                else:
                    kept.append((row, _Beginning((*beam[row].written, piece), fit, places)))
            beam = [one for _, one in kept]
            if kept:
                likely = steps.follow([row for row, _ in kept], [one.written[-1] for one in beam])
        return tuple(sorted(found, key=lambda one: -one.fit)[:_MOST])

    def likely(self, heard: Heard, texts: Sequence[str]) -> list[float]:
        """How likely each text is, with or without a full stop. What several begin with is computed once."""
        cut = [self.cut(text) for text in texts]
        begins: dict[tuple[int, ...], set[tuple[int, ...]]] = {}
        for one in cut:
            for length in range(len(one)):
                begins.setdefault(one[:length], set()).add(one[: length + 1])
        whole = set(cut)
        fits: dict[tuple[int, ...], float] = {(): 0.0}
        found: dict[tuple[int, ...], float] = {}
        steps = _Steps(self, heard)
        written: list[tuple[int, ...]] = [()]
        likely = steps.behind_start
        while written:
            for row, one in enumerate(written):
                if one in whole:
                    ends = np.logaddexp(likely[row, END], likely[row, self._dot])
                    found[one] = fits[one] + float(ends)
            onward = [
                (row, longer) for row, one in enumerate(written) for longer in sorted(begins.get(one, ()))
            ]
            fits = {longer: fits[longer[:-1]] + float(likely[row, longer[-1]]) for row, longer in onward}
            written = [longer for _, longer in onward]
            if written:
                likely = steps.follow([row for row, _ in onward], [one[-1] for one in written])
        return [found[one] for one in cut]

    def _reached(self, beam: Sequence[_Beginning], writing: Writing) -> dict[tuple[int, int], set[_Place]]:
        """For each beginning (by its row) and each piece that may follow: the places they lead to."""
        reached: dict[tuple[int, int], set[_Place]] = {}

        def lead(row: int, piece: int, place: _Place) -> None:
            reached.setdefault((row, piece), set()).add(place)

        for row, beginning in enumerate(beam):
            for place in beginning.places:
                at = place.at
                if place.to_come:
                    lead(row, place.to_come[0], _Place(at, place.to_come[1:]))
                    continue
                if writing.may_end(at):
                    lead(row, END, place)
                    lead(row, self._dot, _Place(at, (END,)))
                if writing.may_pause(at) and not place.paused:
                    lead(row, self._comma, _Place(writing.after_pause(at), paused=True))
                for pieces, there in writing.onward(at):
                    if not place.paused or self.pieces.begins_word(pieces[0]):
                        lead(row, pieces[0], _Place(there, pieces[1:]))
        return reached

    def decode(self, given: dict[str, Any], wanted: Sequence[str]) -> dict[str, NDArray[np.float32]]:
        """The decoder's outputs that are wanted, by name."""
        return dict(zip(wanted, self._decoder.run(list(wanted), given), strict=True))


class _Steps:
    """The decoder, a piece at a time for several beginnings at once, with what it has computed for each."""

    def __init__(self, network: _Network, heard: Heard) -> None:
        self._network = network
        none = {
            name: np.zeros((1, shape[1], 0, shape[3]), np.float32)
            for name, shape in network.inputs.items()
            if name.startswith(_PAST)
        }
        self._sound: dict[str, Any] = {
            "encoder_attention_mask": np.ones(heard.shape[:2], np.int64),
            "encoder_hidden_states": heard,
        }
        pieces = np.array([[START]], np.int64)
        made = network.decode(
            {**self._sound, **none, "input_ids": pieces, "use_cache_branch": np.array([False])},
            network.outputs,
        )
        self._written: dict[str, NDArray[np.float32]] = {}
        for name in none:
            # What comes from the sound is computed with the first piece, and is the same for whatever follows: one row
            # serves all.
            kept = self._sound if "encoder" in name else self._written
            kept[name] = made[_present(name)]
        self.behind_start = _logarithms(made["logits"][:, -1])

    def follow(self, rows: Sequence[int], pieces: Sequence[int]) -> NDArray[np.float32]:
        """The natural logarithm of how likely each piece is behind `pieces`, each of which stands behind one of the
        rows before: a row for each."""
        given = {name: before[list(rows)] for name, before in self._written.items()}
        wanted = ["logits", *map(_present, given)]
        made = self._network.decode(
            {
                **self._sound,
                **given,
                "input_ids": np.array(pieces, np.int64)[:, None],
                "use_cache_branch": np.array([True]),
            },
            wanted,
        )
        self._written = {name: made[_present(name)] for name in given}
        return _logarithms(made["logits"][:, -1])


def _present(past: str) -> str:
    """The output in which the decoder hands on what it takes under the name `past`."""
    return "present" + past.removeprefix(_PAST)


def _logarithms(scores: NDArray[np.float32]) -> NDArray[np.float32]:
    """Logits as natural logarithms of how likely each is, row by row."""
    scores = scores - scores.max(axis=1, keepdims=True)
    likely: NDArray[np.float32] = scores - np.log(np.exp(scores).sum(axis=1, keepdims=True))
    return likely
