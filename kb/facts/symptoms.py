"""Symptoms a store starts with: what the trade calls them, what people type, and how one finds out.

`how` says what noticing a symptom takes, which decides the order in which it is worth asking:
`told` (the owner says so), `look` (eyes, nose and ears, unplugged), `unpowered check` (a meter on the
discharged board), `powered check` (mains on). `minutes` is the usual bench time; common practice, no
published source, and editable in a shop's own list.
"""

from __future__ import annotations

from dataclasses import dataclass

HOW = ("told", "look", "unpowered check", "powered check")


@dataclass(frozen=True, slots=True)
class Symptom:
    """One entry of the symptom list."""

    name: str
    synonyms: tuple[str, ...] = ()
    how: str = "told"
    minutes: float = 1.0


def _told(name: str, *synonyms: str) -> Symptom:
    return Symptom(name, synonyms, "told", 1.0)


def _look(name: str, *synonyms: str, minutes: float = 2.0) -> Symptom:
    return Symptom(name, synonyms, "look", minutes)


def _cold(name: str, *synonyms: str, minutes: float = 2.0) -> Symptom:
    return Symptom(name, synonyms, "unpowered check", minutes)


def _live(name: str, *synonyms: str, minutes: float = 4.0) -> Symptom:
    return Symptom(name, synonyms, "powered check", minutes)


SYMPTOMS: tuple[Symptom, ...] = (
    # How it starts, or does not
    _told(
        "dead",
        "no power",
        "won't turn on",
        "does not turn on",
        "will not switch on",
        "no sign of life",
        "nothing happens",
        "totally dead",
        "not powering on",
        "no life",
    ),
    _told(
        "does not work",
        "not working",
        "does not function",
        "no longer works",
        "stopped working",
        "out of order",
    ),
    _told(
        "standby light on but will not start",
        "stuck in standby",
        "standby led on no start",
        "red light only",
        "stays in standby",
    ),
    _told("no standby light", "standby led off", "no led", "no light at all"),
    _told(
        "standby light blinks", "standby led flashing", "blinking led", "flashing light", "error blink code"
    ),
    _told(
        "starts then shuts down",
        "turns off after a few seconds",
        "switches itself off",
        "shuts off",
        "cuts out",
        "goes off again",
    ),
    _told(
        "starts only after several tries",
        "hard to start",
        "needs several attempts",
        "slow to start",
        "starts after a while",
    ),
    _told(
        "starts only when warm",
        "works once warmed up",
        "cold start problem",
        "will not start cold",
        "starts with a hair dryer",
    ),
    _told("fails when warm", "stops when hot", "fails after warming up", "dies after an hour"),
    _told("restarts by itself", "reboots", "resets itself", "boot loop", "keeps restarting", "power cycling"),
    _told(
        "does not boot", "will not boot", "won't boot", "not booting", "stuck at the logo", "hangs at boot"
    ),
    _told("freezes", "locks up", "keeps freezing", "crashes", "hangs up"),
    _told(
        "relay clicks repeatedly",
        "relay ticking",
        "relay ticks",
        "relay chatter",
        "clicking",
        "relay keeps clicking",
    ),
    _told("relay clicks once", "clicks once", "one click", "single click"),
    _told("relay does not click", "no relay click", "relay silent", "no click"),
    _told("trips the mains breaker", "trips the breaker", "blows house fuse", "breaker goes off"),
    _told(
        "trips the residual-current device",
        "trips rcd",
        "residual current trip",
        "trips the earth leakage breaker",
    ),
    _told("tingle from the case", "shock from the case", "case is live", "tingling metal"),
    _told(
        "works unloaded but not in the set",
        "fine on the bench",
        "fails under load",
        "collapses under load",
        "drops under load",
        "drops out under load",
    ),
    _told("intermittent", "sometimes works", "comes and goes", "works on and off", "erratic", "random fault"),
    _told(
        "responds to tapping or flexing",
        "works when tapped",
        "bang on it",
        "works when pressed",
        "loose connection",
    ),
    # What is seen or heard in the set
    _told(
        "no picture",
        "black screen",
        "dark screen",
        "stays dark",
        "screen stays black",
        "no display",
        "no image",
    ),
    _told("sound but no picture", "audio no video", "sound ok no picture"),
    _told("sound distorted", "distorted sound", "rough sound"),
    _told("picture but no sound", "no sound", "no audio", "silent"),
    _told(
        "one channel silent",
        "one channel dead",
        "left channel dead",
        "right channel dead",
        "sound on one side only",
    ),
    _told(
        "backlight off",
        "no backlight",
        "no led backlight",
        "picture visible with a torch",
        "backlight dead",
        "faint picture with torch",
    ),
    _told(
        "backlight goes off after seconds",
        "backlight shuts down",
        "picture for two seconds then dark",
        "two seconds to black",
        "light comes on then off",
    ),
    _told("backlight flickers", "flickering screen", "screen flicker", "picture flickers", "flickering"),
    _told("dim picture", "dark picture", "low brightness", "too dim"),
    _told("uneven backlight", "dark patches", "half the screen dark", "one side dark"),
    _told(
        "lines or bars in the picture",
        "hum bars",
        "rolling bars",
        "wavy picture",
        "interference lines",
        "stripes",
    ),
    _told("display shows garbage", "wrong characters", "scrambled display", "missing segments", "gibberish"),
    _told("display dim or fading", "faint display", "display fading"),
    _told(
        "buttons do not respond", "keys dead", "touch does not react", "keypad dead", "no response to buttons"
    ),
    _told("buttons press themselves", "ghost presses", "keys stuck", "menu opens by itself"),
    _told("error code shown", "fault code", "shows an error", "error message"),
    _told("clock or settings lost", "forgets settings", "loses time", "memory lost"),
    _told("motor does not run", "motor dead", "drum does not turn", "pump does not run"),
    _told("motor runs weak or jerky", "stutters", "motor stutters", "runs rough", "slow motor"),
    _told("heater does not heat", "no heat", "stays cold", "does not heat"),
    _told("heats all the time", "will not stop heating", "overheats food", "heater stuck on"),
    _told("fan runs but nothing else", "fan only", "fan noise only", "only fan spins"),
    _told("fan at full speed", "fan always on full", "fan roars"),
    _told("fan does not run", "fan stopped", "fan dead"),
    _told("does not hold charge", "battery runs flat", "empty after an hour"),
    _told("no communication", "no link", "not found on the network", "no data"),
    _told("does not turn off", "will not switch off", "stays on"),
    _told("does not charge", "no charging", "battery not charging", "charge light off"),
    _told("hum from speakers", "buzz in sound", "humming sound", "mains hum", "hum"),
    _told("high-pitched whine", "whistle", "coil whine", "squealing", "squeal", "whining noise"),
    _told("ticking or chirping noise", "chirping", "chirps", "ticking noise", "ticking supply", "tick tick"),
    _told("buzzing from the board", "buzz", "buzzing", "rattling transformer"),
    _told("bang heard", "loud pop", "popped", "exploded", "went bang"),
    _told("arcing or sparks", "sparks", "arcing", "cracking noise", "crackling"),
    _told("smoke seen", "smoking", "smoke", "magic smoke"),
    _told("burnt smell", "burning smell", "smells burnt", "smell of burning"),
    _told(
        "failed after a power cut or storm",
        "lightning",
        "thunderstorm",
        "power surge",
        "after power cut",
        "surge",
    ),
    _told(
        "failed after a spill or damp",
        "water damage",
        "got wet",
        "liquid spill",
        "salt water",
        "condensation",
    ),
    _told("failed after earlier repair", "repaired before", "previous repair", "someone was in here before"),
    _told("dropped or mechanical damage", "fell down", "dropped", "knocked over"),
    # Eyes and nose, unplugged
    _look(
        "bulging capacitor",
        "bulged cap",
        "swollen capacitor",
        "domed capacitor",
        "domed top",
        "vented cap",
        "blown cap",
        "puffed cap",
    ),
    _look(
        "leaking capacitor",
        "electrolyte leak",
        "brown goo under capacitor",
        "capacitor leaked",
        "fishy smell",
    ),
    _look("cracked solder joint seen", "dry joint", "ring crack", "cold joint", "cracked joint"),
    _look("burnt part seen", "charred part", "scorched", "burn mark", "burnt resistor", "burnt component"),
    _look("discoloured board", "brown board", "heat darkened board", "overheated area"),
    _look("corrosion on the board", "green corrosion", "verdigris", "corroded tracks", "rust", "salt crust"),
    _look("cracked part seen", "cracked ic", "hole in ic", "ic blown apart", "split case"),
    _look("damaged track or via", "track lifted", "open track", "burnt trace"),
    _look("insects or dirt inside", "dust", "full of dust", "bugs inside", "grease"),
    # A meter on the discharged board
    _cold("fuse blown", "fuse open", "blown fuse", "dead fuse", "fuse gone", "fuse has gone", minutes=1.0),
    _cold(
        "fuse blows again when replaced", "blows fuses", "new fuse blows", "keeps blowing fuses", minutes=3.0
    ),
    _look("varistor burnt or cracked", "varistor exploded", "mov burnt", "cracked varistor"),
    _cold("mains rectifier shorted", "bridge shorted", "bridge rectifier short"),
    _cold(
        "main switch shorted",
        "primary mosfet shorted",
        "main fet short",
        "drain source short",
        "switching transistor shorted",
    ),
    _cold("power factor switch shorted", "pfc mosfet shorted", "pfc fet short"),
    _cold("current sense resistor open", "source resistor open", "shunt open"),
    _cold("inrush limiter open", "ntc open", "thermistor open"),
    _cold("bulk capacitor low or open", "main capacitor dried out", "bulk capacitor weak", minutes=5.0),
    _cold("standby rail shorted to ground", "5v standby shorted", "short on standby", minutes=1.0),
    _cold("output rail shorted to ground", "short on output", "output shorted", "rail shorted", minutes=2.0),
    _cold("output rectifier shorted", "schottky shorted", "secondary diode shorted"),
    _cold("high ESR found", "high esr", "esr high", "bad esr", minutes=5.0),
    _cold("start-up resistor open", "startup resistor open", "kick-start resistor open"),
    # Mains on
    _live(
        "bulk voltage missing",
        "no bulk voltage",
        "no 300v",
        "no 310v",
        "no 320v",
        "no 325v",
        "no 385v",
        "no primary dc",
        "0 v on bulk capacitor",
    ),
    _live("bulk voltage stays after unplugging", "bulk stays charged", "bulk capacitor stays charged"),
    _live("bulk voltage too high", "bulk over 400 v", "bulk too high"),
    _live("power factor stage does not boost", "pfc not working", "bulk stays at 320 v", "no pfc boost"),
    _live("no standby voltage", "standby rail missing", "no 5v standby", "5vsb missing", "no 5vsb"),
    _live("standby voltage low", "low 5v standby", "5vsb low", "low standby"),
    _live("all outputs missing", "no output voltage", "no output", "no voltages", "no secondary voltages"),
    _live("one output missing", "one rail missing", "no 12v", "no 24v", "missing rail"),
    _live(
        "more than one output missing",
        "several rails missing",
        "two rails missing",
        "no 12v and no 24v",
        "no 12v no 24v",
    ),
    _live("output voltage low", "low output", "voltage drops", "low voltage"),
    _live("output voltage high", "over-voltage", "overvoltage", "high output", "output too high"),
    _live("output drifts with heat", "voltage drifts", "drifts when warm"),
    _live("hiccup", "cycling", "pulsing output", "tries to start", "pumping", "keeps trying to start"),
    _live("high ripple", "ripple", "noisy supply", "excessive ripple"),
    _live("enable line missing", "no power-on signal", "no enable", "ps-on missing"),
    _live(
        "controller supply missing",
        "no vcc",
        "vcc cycling",
        "vcc pulsing",
        "vcc low",
        "vcc missing",
        "no controller supply",
    ),
    _live("part too hot to touch", "runs hot", "overheating", "gets very hot", "hot part"),
)

# Checks with a meter that come before a board is plugged in; common practice, no published source.
DEAD_CHECKS: tuple[str, ...] = (
    "fuse blown",
    "mains rectifier shorted",
    "main switch shorted",
    "output rail shorted to ground",
)
