"""What the words of a symptom mean by the kind of device that the text names: a lamp without light is dead."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from kb.reading import function_words
from kb.reading.lexicon import negation_words
from kb.reading.patterns import Match, Places
from kb.reading.tokens import SIGN, Token

# Devices that hum by themselves and have no loudspeaker; common practice.
_WITHOUT_SOUND = ("motor_device", "warmer", "washer", "lamp_device", "fan", "motor")
_WITHOUT_SOUND_WORDS = frozenset(
    ("microwave", "dimmer", "fridge", "freezer", "charger", "adapter", "adaptor", "transformer", "projector",
     "mikrowelle",
     "kuhlschrank", "ladegerat", "trafo", "dimmen", "magnetron", "koelkast", "lader", "frigo", "chargeur", "nevera",
     "microondas", "cargador", "microonde", "caricatore", "variateur", "regulador")
)  # fmt: skip
_HEATED_OR_PLAYED = frozenset(
    ("water", "food", "wasser", "eau", "agua", "acqua", "turntable", "record", "player")
)
_KITCHEN = frozenset(("food", "stand", "hand", "dough", "kuchen", "cement", "paint"))
_CHARGERS = frozenset(
    ("charger", "chargers", "ladegerat", "ladegeraet", "lader", "acculader", "chargeur", "cargador", "caricatore",
     "caricabatterie")
)  # fmt: skip
_LAMPS = frozenset(
    ("lamp", "lantern", "torch", "flashlight", "headlamp", "lampe", "leuchte", "taschenlampe", "zaklamp", "lampara",
     "lampada", "torcia", "linterna", "lights", "chandelier")
)  # fmt: skip
_PROJECTORS = frozenset(("projector", "beamer", "videoprojecteur", "projecteur", "proyector", "proiettore"))


def by_device(match: Match, places: Places) -> Match:
    """The symptom by what the device is: what hums of a microwave is no loudspeaker."""
    if match.name == "hum from speakers" and _has_no_sound(match, places):
        return replace(match, name="buzzing from the board")
    if match.name == "dim picture" and _is_a_readout(places.tokens):
        return replace(match, name="display dim or fading")
    if match.name == "no standby light" and _is_the_lamp(match, places.tokens):
        return replace(match, name="dead")
    if (
        match.name == "standby light on but will not start"
        and match.present
        and _is_a_charger(match, places.tokens)
    ):
        return replace(match, name="does not charge")
    return match


_READOUTS = frozenset(("display", "lcd", "readout", "digits", "digit", "dial", "vfd", "segments"))
_HAVE_A_PICTURE = ("tv", "telly", "television", "monitor", "laptop", "notebook", "tablet", "phone", "picture", "image",
                   "pc", "screen", "projector", "backlight", "camera", "console")  # fmt: skip


def _is_a_readout(tokens: Sequence[Token]) -> bool:
    """ "display of the till very faint": of a device that shows figures and no picture."""
    words = {token.folded for token in tokens}
    return bool(words & _READOUTS) and words.isdisjoint(_HAVE_A_PICTURE)


def _has_no_sound(match: Match, places: Places) -> bool:
    tokens = places.tokens
    heard = {at for at in places.of("speaker", "channel", "amplifier") if not _in_kitchen(tokens, at)}
    if heard - set(match.places):
        return False
    devices = {at for at in places.of(*_WITHOUT_SOUND) if tokens[at].folded not in _HEATED_OR_PLAYED}
    return bool(devices) or any(token.folded in _WITHOUT_SOUND_WORDS for token in tokens)


def _in_kitchen(tokens: Sequence[Token], at: int) -> bool:
    """ "stand mixer": no mixing desk."""
    return tokens[at].folded == "mixer" and at > 0 and tokens[at - 1].folded in _KITCHEN


def _is_the_lamp(match: Match, tokens: Sequence[Token]) -> bool:
    """ "Lamp, no light", "lamp dead": the lamp under repair, which the text or its sentence begins with."""
    sentence = tokens[match.first].sentence
    words = [token for token in tokens[: match.last + 1] if token.sentence == sentence and token.kind != SIGN]
    lead = [token.folded for token in words if token.folded not in function_words.ARTICLES][:2]
    if not _LAMPS.intersection(lead) or negation_words().intersection(lead[:1]):
        return False
    behind = match.last + 1
    return behind >= len(tokens) or tokens[behind].folded not in (
        "on",
        "in",
        "an",
        "am",
        "sur",
        "op",
        "en",
        "su",
    )


def _is_a_charger(match: Match, tokens: Sequence[Token]) -> bool:
    sentence = tokens[match.first].sentence
    return any(token.folded in _CHARGERS and token.sentence == sentence for token in tokens)


def is_lamp_of_projector(match: Match, tokens: Sequence[Token]) -> bool:
    """ "projector: no lamp": what it throws its picture with, and no light that shows that it is on."""
    return (
        match.name == "no standby light"
        and any(tokens[at].folded.startswith("lamp") for at in match.places)
        and any(token.folded in _PROJECTORS for token in tokens)
    )
