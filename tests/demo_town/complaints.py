"""What people say when they bring a board: many phrasings, slips of spelling, and things beside the point."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from demo_town.dice import Dice

PHRASES: dict[str, tuple[str, ...]] = {
    "dead": ("dead", "completely dead", "no sign of life", "doesn't do anything any more",
        "nothing happens when we switch on",
             "won't turn on", "not a single light", "no power at all", "stone dead since this morning"),
    "standby light on but will not start": ("red light is on but it will not start", "stays in standby",
        "standby lamp lit, nothing else",
             "little light on, no start", "wont come out of standby"),
    "no standby light": ("no light at all", "standby light is off", "the little lamp is out", "no LED"),
    "standby light blinks": ("light blinks", "standby light keeps flashing", "red lamp blinks all the time",
        "LED flashes and stops and flashes"),
    "starts then shuts down": ("goes on and off again after a few seconds", "starts, then shuts down",
        "switches itself off after a while",
             "cuts out after ten seconds", "runs a moment and dies"),
    "starts only after several tries": ("only starts after several tries",
        "have to switch it ten times before it comes on",
             "slow to start in the morning", "needs a lot of patience to start",
             "comes up at the fifth attempt"),
    "starts only when warm": ("will not start cold", "starts once the cabin is warm",
        "in winter it won't start", "works when warmed with a hair dryer"),
    "fails when warm": ("stops when it gets hot", "dies after an hour", "fails when the sun is on it",
        "fine in the morning, gone after lunch"),
    "restarts by itself": ("restarts by itself", "keeps rebooting", "resets all the time",
        "boots, boots again, and so on", "reboots every few minutes"),
    "relay clicks repeatedly": ("relay ticks", "clicking all the time", "relay clicks and clicks",
        "ticks like a clock", "relay ticks twice and gives up",
             "click click click", "ticking noise from the back", "relay chatter"),
    "relay does not click": ("no click when switching on", "relay silent",
        "you used to hear a click, not now"),
    "trips the mains breaker": ("trips the breaker", "breaker goes off as soon as it is plugged in",
        "takes out the whole deck circuit",
             "throws the fuse in the cabinet", "residual current switch trips"),
    "works unloaded but not in the set": ("works on the table but not when mounted",
        "measured fine last time but not in the housing",
             "voltage falls down when connected", "ok until something is plugged in"),
    "intermittent": ("sometimes works, sometimes not", "comes and goes", "now and then", "on and off",
        "random fault", "fails when it wants to",
             "worked fine when the fitter looked of course"),
    "responds to tapping or flexing": ("works when you hit it", "a bang on the side helps",
        "works when pressed on the corner", "loose contact somewhere?",
             "stops when the ship vibrates"),
    "no picture": ("no picture", "stays dark", "black screen", "screen stays black",
        "nothing on the display", "does not show anything",
             "everything dark", "dark"),
    "sound but no picture": ("sound is there but no picture", "we hear the announcements, screen dark"),
    "picture but no sound": ("no sound", "silent", "nobody hears the announcements", "no audio on deck",
        "loudspeakers dead"),
    "backlight off": ("no light behind the picture", "backlight is off",
        "you can see the picture with a torch", "panel does not light up", "sign not lit"),
    "backlight goes off after seconds": ("light comes on for two seconds then dark",
        "picture for a moment then black", "flashes up and goes dark"),
    "backlight flickers": ("flickers", "picture flickers", "light flickers like a disco",
        "flickering since days", "it flickers worse when cold"),
    "dim picture": ("too dark", "picture very dim", "hardly readable in daylight"),
    "uneven backlight": ("one side is dark", "dark patches", "half the screen darker"),
    "lines or bars in the picture": ("bars rolling through the picture", "wavy lines",
        "stripes in the picture"),
    "display shows garbage": ("shows rubbish", "wrong characters", "segments missing", "displays gibberish",
        "numbers nobody can read"),
    "display dim or fading": ("display is fading", "display faint", "can hardly read the digits",
        "display gets weaker every month"),
    "buttons do not respond": ("buttons don't work", "does not react to the keys", "keys dead",
        "pressing does nothing", "panel ignores the buttons"),
    "error code shown": ("shows an error", "error 4 on the display", "fault code, then stops", "E6",
        "display says Er2", "error message and beeps"),
    "clock or settings lost": ("forgets the time", "settings lost every night",
        "clock wrong after every stop"),
    "motor does not run": ("motor doesn't run", "does not turn", "nothing moves", "stands still"),
    "motor runs weak or jerky": ("runs rough", "motor stutters", "weak and jerky", "pulls in jerks"),
    "heater does not heat": ("does not heat", "stays cold", "no heat", "heater stays cold"),
    "heats all the time": ("heats and does not stop", "won't stop heating", "boils over, heater always on"),
    "fan does not run": ("fan does not turn", "fan stopped", "no fan noise any more"),
    "does not charge": ("does not charge", "battery flat every morning", "charge light off",
        "battery is not charging"),
    "hum from speakers": ("hums", "loud hum in the loudspeakers", "buzz in the sound",
        "hum when nobody speaks"),
    "high-pitched whine": ("whistles", "high pitched noise", "squeals", "chirps like a bird"),
    "buzzing from the board": ("buzzes", "humming noise from inside", "rattling buzz"),
    "bang heard": ("there was a bang", "loud pop and then nothing", "went bang", "exploded with a crack"),
    "smoke seen": ("smoke came out", "there was smoke", "smoked a little"),
    "burnt smell": ("smells burnt", "burning smell", "smelled of fish", "it stinks"),
    "failed after a power cut or storm": ("since the storm", "after the thunderstorm",
        "after the power cut on Sunday", "lightning hit the mast that night",
             "after shore power came back"),
    "failed after a spill or damp": ("got wet", "spray came in", "somebody spilled coffee over it",
        "stood in salt water", "condensation behind the glass",
             "rain got into the box"),
    "failed after earlier repair": ("was repaired elsewhere before", "somebody was in here before"),
    "dropped or mechanical damage": ("fell off the trolley", "dropped when they moved it",
        "got a knock from a pallet"),
    "output voltage low": ("our electrician measured the voltage too low", "voltage low says the engineer"),
    "output voltage high": ("voltage too high according to the electrician",),
    "fuse blown": ("fuse gone", "we changed the fuse, blew again", "fuse blown, new one went too"),
    "part too hot to touch": ("gets very hot", "housing hot as a stove"),
}  # fmt: skip

_VAGUE = (
    "not working properly",
    "has a fault",
    "please check",
    "broken",
    "does strange things",
    "needs repair, see label",
    "out of order",
)
_BROUGHT_BACK = (
    "came back, same as before",
    "again the same fault",
    "was here already, same thing",
    "not cured",
    "back again",
)
_OTHER_FAULT = (
    "back again, another problem now",
    "was repaired here, now something else",
    "last repair holds, but there is something else",
)
_OPENING = (
    "",
    "",
    "",
    "",
    "",
    "hello, ",
    "urgent: ",
    "from the night shift: ",
    "as phoned: ",
    "customer says: ",
    "note on the box: ",
)
_LINK = (", ", ", ", ". ", " and ", "; ", " - ", ", also ")
_SINCE = (
    "since {day}",
    "since {day} morning",
    "since the {hour} sailing",
    "started {day}",
    "for about {count} weeks now",
    "since the crew change",
    "since the refit",
    "after the weekend",
    "for {count} days",
    "only after {hour}",
    "since the cold nights",
)
_BESIDE = ("unit no {count}", "the key is under the mat", "we need it before the regatta",
        "the gulls sit on it all day", "passengers complain",
           "please call before {hour}", "it was moved from berth {count} in spring",
           "the cook is not happy", "housing scratched, that was us",
           "same model as at berth {count}", "screws are in the bag",
           "had it for {count} years without trouble", "the cover is in the grey crate",
           "cable not included", "is there a warranty?", "spare is in use until {day}",
           "do not wash the label off", "paint on it is old",
           "came over with the {hour} boat", "number {count} on the list", "the other one next to it works",
           "invoice to the office please",
    "mind the sharp edge",
    "the tide was high that night",
    "we tried another socket",
    "do you still have our charger?",
    "the colour of the cable is wrong but that is old",
    "we dried it on the engine",
    "it stood in the shed for {count} months",
    "boat leaves at {hour}",
    "needed by {day}",
    "the manual is lost",
    "smells of herring, sorry",
    "bring it to berth {count} when done",
    "the season starts in {count} weeks")  # fmt: skip
_DAYS = ("monday", "Tuesday", "wednesday", "Thursday", "friday", "Saturday", "sunday")

# Slips that people really make; a reader knows at once what is meant, a search must too.
MISSPELLINGS: dict[str, tuple[str, ...]] = {
    "doesn't": ("doesnt", "dosent", "does'nt"), "don't": ("dont",), "won't": ("wont",), "does": ("dose",),
    "relay": ("relais", "rellay", "realy"), "flickers": ("flikkers", "flickrs"), "flicker": ("fliker",),
    "flickering": ("flikkering", "flickerring"), "display": ("dispaly", "displey"), "picture": ("pitcure",
        "pictur"),
    "screen": ("sreen", "screan"), "voltage": ("voltige", "volatge"), "backlight": ("back light", "baklight"),
    "capacitor": ("capasitor",), "fuse": ("fuze",), "starts": ("startes", "strats"),
        "sometimes": ("somtimes", "some times"),
    "breaker": ("braker",), "buttons": ("butons", "buttens"), "charging": ("chargeing",),
        "charge": ("charje",),
    "lightning": ("lightening",), "thunderstorm": ("thunder storm",), "loudspeakers": ("loud speakers",),
    "ticks": ("tiks", "tics"), "clicking": ("cliking",), "heating": ("heeting",),
        "completely": ("completly",),
    "dishwasher": ("dish washer",), "microwave": ("micro wave", "microwawe"), "ticket": ("tiket",),
        "switches": ("swiches",),
    "switch": ("swich",), "blinks": ("blinkes",), "flashing": ("flasching",), "restarts": ("re-starts",),
    "timetable": ("time table",), "departure": ("departur",), "announcements": ("anouncements",),
        "error": ("eror",),
    "light": ("ligth",), "noise": ("noice",), "because": ("becouse",), "nothing": ("noting",),
        "standby": ("stand by", "stanby"),
}  # fmt: skip


def _fill(text: str, dice: Dice) -> str:
    if "{" not in text:
        return text
    hour = f"{dice.whole(5, 22):02d}:{dice.pick(('05', '10', '20', '35', '40', '55'))}"
    return text.format(day=dice.pick(_DAYS), hour=hour, count=dice.whole(2, 24))


def misspell(text: str, dice: Dice, chance: float) -> str:
    """The text with known words misspelt, each with this chance."""
    words = text.split(" ")
    for place, word in enumerate(words):
        bare = word.rstrip(",.;:?")
        slips = MISSPELLINGS.get(bare)
        if slips and dice.chance(chance):
            words[place] = dice.pick(slips) + word[len(bare) :]
    return " ".join(words)


def complaint(
    dice: Dice,
    things: Sequence[str],
    present: Sequence[str],
    history: str = "",
    says: Mapping[str, Sequence[str]] | None = None,
) -> str:
    """What the customer said.

    `things` are names of the set, `present` the case's symptoms (those nobody outside the bench could
    notice are left out), `history` is "", "same" or "another" for a board that was here before.
    """
    own = says or {}
    told = [dice.pick(own.get(name) or PHRASES[name]) for name in present if name in PHRASES]
    if len(told) > 1 and dice.chance(0.5):
        told[0], told[1] = told[1], told[0]
    told = told[: dice.whole(1, 3)] or [dice.pick(_VAGUE)]
    if history:
        told.insert(0, dice.pick(_BROUGHT_BACK if history == "same" else _OTHER_FAULT))
    text = told[0]
    for more in told[1:]:
        text += dice.pick(_LINK) + more
    if dice.chance(0.55):
        thing = dice.pick(things)
        text = (
            f"{thing}: {text}"
            if dice.chance(0.6)
            else f"{thing} - {text}"
            if dice.chance(0.4)
            else f"{text} ({thing})"
        )
    text = dice.pick(_OPENING) + text
    if dice.chance(0.3):
        text += dice.pick((", ", " ")) + _fill(dice.pick(_SINCE), dice)
    if dice.chance(0.22):
        text += ". " + _fill(dice.pick(_BESIDE), dice)
    text = misspell(text, dice, 0.45 if dice.chance(0.25) else 0.04)
    style = dice.unit()
    if style < 0.35:
        return text[0].upper() + text[1:] + ("" if text[-1] in "?." else ".")
    if style < 0.38:
        return text.upper()
    return text
