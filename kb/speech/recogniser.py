"""Words of a sound, by pocketsphinx with a grammar. Runs in a process beside the program (`kb/apart`).

The library is C code that is fed what was sent, so it runs where it can be stopped. It reads an acoustic model from a
folder; the one that it brings along knows English.
"""

from __future__ import annotations

import math
import tempfile
import tomllib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from functools import lru_cache
from importlib.util import find_spec
from itertools import islice
from pathlib import Path
from typing import Any

from kb.errors import BadInput
from kb.speech.automaton import Automaton, automaton_of, tree_of
from kb.speech.language import ENGLISH, Language, language_of

ACOUSTIC, WORDS = "acoustic", "words.toml"
# The longer a vocal tract, the lower all its formants; the model was learned from many, and fits a middling one best.
# Frequencies are divided by these before they are compared with it: vocal tract length normalisation (Lee & Rose,
# A frequency warping approach to speaker normalization, 1998; from memory). Beside each what it costs in `fit`, since
# high formants are rarer. Found on the development half and on sentences made like it.
WARPS = {0.9: 0.0, 1.2: 20.0}
_MOST_WAYS = 40
"""How many ways through the recogniser's words are looked at for others; most of them differ in silences only."""
_MODEL_FILES = ("mdef", "means", "variances", "transition_matrices", "feat.params")


@dataclass(frozen=True, slots=True)
class Recognised:
    """One way to hear a sound: the words in the order in which they were said, none where nothing fits.

    `fit` is the natural logarithm of their likelihood, to be compared with others of the same sound only. `others` are
    further ways to hear it, likeliest first.
    """

    words: tuple[str, ...]
    fit: float
    others: tuple[tuple[str, ...], ...] = ()


def is_installed() -> bool:
    """Whether speech can be recognised here at all."""
    return find_spec("pocketsphinx") is not None


def language_in(folder: str) -> Language:
    """The language of a model folder, English where none is named. Raises BadInput naming what the folder lacks."""
    if not folder:
        return ENGLISH
    acoustic, words = Path(folder) / ACOUSTIC, Path(folder) / WORDS
    lacks = next((name for name in _MODEL_FILES if not (acoustic / name).is_file()), None)
    if lacks:
        raise BadInput(
            f"The speech model has no {ACOUSTIC}/{lacks} in {folder}.",
            field="KB_SPEECH_MODEL",
            remedy="Name the folder that holds “acoustic” and words.toml, or unset it for English.",
        )
    try:
        return language_of(tomllib.loads(words.read_text(encoding="utf-8")))
    except (OSError, UnicodeDecodeError, tomllib.TOMLDecodeError) as error:
        raise BadInput(
            f"The speech model’s {WORDS} in {folder} cannot be read: {error}.",
            field="KB_SPEECH_MODEL",
            remedy="Write it as the README of kb/speech says, or unset the setting for English.",
        ) from error


def recognise(sound: bytes, grammar: str, folder: str, warp: float) -> Recognised:
    """The words of a sound that the grammar allows, with one of `WARPS`, and what else it may be.

    Raises BadInput for a wrong model.
    """
    decoder = _decoder(folder, warp)
    _listen_for(decoder, grammar)
    found = _decoded(decoder, sound, WARPS[warp])
    if not found.words:
        return found
    # Of some noise the library has no other ways, and names some by nothing at all.
    ways = (tuple(way.hypstr.split()) for way in islice(decoder.nbest() or (), _MOST_WAYS) if way)
    return replace(found, others=tuple(way for way in dict.fromkeys(ways) if way and way != found.words))


def fitting_warp(found: Sequence[Recognised]) -> float:
    """The length of the vocal tract with which a sound fitted better; `found` has what was recognised with each."""
    return max(zip(WARPS, found, strict=True), key=lambda one: one[1].fit)[0]


def choose(sound: bytes, candidates: Mapping[tuple[str, ...], float], warp: float) -> Recognised:
    """Which of the English sentences fits the sound best, with one of `WARPS`.

    `candidates` has for each sentence what speaks for it apart from the sound, as a natural logarithm. A digit may
    be said by any of its words, whichever the sentence has.
    """
    most = max(candidates.values())
    tree, states = tree_of(candidates, ENGLISH)
    end = tree.states
    # The weights stand at the ends of the tree.
    ends = [
        (states[words], end, math.exp(max(weight - most, _LEAST))) for words, weight in candidates.items()
    ]
    steps = [(source, target, 1.0, word) for source, target, word in tree.arcs]
    decoder = _decoder("", warp, few=True)
    decoder.add_fsg("few", decoder.create_fsg("few", 0, end, [*steps, *ends]))
    decoder.activate_search("few")
    return _decoded(decoder, sound, 0.0)


def get_ready(grammar: str, folder: str, warp: float, chooses: bool) -> bool:
    """Loads the model and the grammar, so that the first sound does not wait for them; what `choose` needs where it
    will be asked. Raises BadInput."""
    _listen_for(_decoder(folder, warp), grammar)
    if chooses:
        _decoder(folder, warp, few=True)
    return True


def _decoded(decoder: Any, sound: bytes, rarer: float) -> Recognised:
    decoder.start_utt()
    decoder.process_raw(sound, full_utt=True)
    decoder.end_utt()
    found = decoder.hyp()
    if not found or found.best_score <= 0:
        return Recognised((), float("-inf"))
    # The library counts in steps of 1024 (its senones' scores are shifted by ten bits).
    return Recognised(tuple(found.hypstr.split()), 1024 * math.log(found.best_score) - rarer)


_smallest = lru_cache(maxsize=32)(automaton_of)


def _listen_for(decoder: Any, grammar: str) -> None:
    if decoder.heard_for == grammar:
        return
    made: Automaton = _smallest(grammar)
    end = made.states  # the one state in which everything ends
    # No word is made likelier than another; `wip` is what each further word costs.
    steps = [(source, target, 1.0, word) for source, target, word in made.arcs]
    ends = [(state, end, 1.0) for state in sorted(made.final)]
    decoder.add_fsg("page", decoder.create_fsg("page", 0, end, [*steps, *ends]))
    decoder.activate_search("page")
    decoder.heard_for = grammar


@lru_cache(maxsize=2 * len(WARPS))
def _decoder(folder: str, warp: float, *, few: bool = False) -> Any:
    """The recogniser with its model and all words of the language, for one length of the vocal tract.

    One that chooses between a few sentences gives none of them up under way, and takes their weights as they are.
    """
    import pocketsphinx

    class Decoder(pocketsphinx.Decoder):
        heard_for = ""

    language = language_in(folder)
    acoustic = str(Path(folder) / ACOUSTIC) if folder else pocketsphinx.get_model_path("en-us/en-us")
    warped = {"warp_type": "inverse_linear", "warp_params": str(warp)}
    lines = [
        f"{word}{f'({at + 1})' if at else ''} {phones}\n"
        for word, ways in language.sounds.items()
        for at, phones in enumerate(ways)
    ]
    with tempfile.TemporaryDirectory(prefix="kb-speech-") as place:
        # A file in a folder, since Windows opens no file twice.
        words = Path(place) / "words.dict"
        words.write_text("".join(lines), encoding="utf-8", newline="\n")
        try:
            return Decoder(
                pocketsphinx.Config(
                    hmm=acoustic,
                    dict=str(words),
                    lm=None,
                    logfn="",
                    **(TUNED | (_FEW if few else {})),
                    **warped,
                )
            )
        except (RuntimeError, ValueError) as error:
            raise BadInput(
                "The speech model cannot be loaded.",
                field="KB_SPEECH_MODEL",
                remedy="Check that its folder belongs to pocketsphinx 5 and that words.toml uses its phones.",
            ) from error


# Found on the development half of the test set (tests/speech); see the README.
TUNED: dict[str, Any] = {
    "beam": 1e-48,
    "pbeam": 1e-48,
    "wbeam": 1e-24,  # finds as much as 1e-40, and other ways to hear a sound in a tenth of the time
    "bestpath": False,
    "wip": 3e-3,
    "silprob": 0.5,
    "fillprob": 1e-2,
    "topn": 8,
}
_FEW: dict[str, Any] = {"beam": 1e-200, "pbeam": 1e-200, "wbeam": 1e-200, "lw": 1.0}
_LEAST = -650.0  # e to this is still a number of double precision
