"""Part classes a store starts with. A shop may add its own.

`letters` are the reference designator letters a class usually carries on a board (IEEE 315 style
plus what makers really print); they only order completion and never decide anything.
"""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class PartClass:
    """A kind of part as the trade names it, the other names people type, and its board letters."""

    name: str
    synonyms: tuple[str, ...] = ()
    letters: tuple[str, ...] = ()


PART_CLASSES: tuple[PartClass, ...] = (
    PartClass("electrolytic capacitor", ("elco", "electrolytic", "lytic", "aluminium capacitor", "cap"), ("C", "EC")),
    PartClass("bulk capacitor", ("main capacitor", "reservoir capacitor", "primary capacitor"), ("C", "EC")),
    PartClass("ceramic capacitor", ("mlcc", "ceramic cap", "smd capacitor"), ("C",)),
    PartClass("safety capacitor", ("y capacitor", "y cap", "safety cap"), ("CY", "C")),
    PartClass("film capacitor", ("x capacitor", "mains film capacitor", "dropper capacitor", "capacitive dropper"), ("C", "CX")),
    PartClass("polymer capacitor", ("solid capacitor",), ("C", "EC")),
    PartClass("resistor", ("res",), ("R",)),
    PartClass("start-up resistor", ("startup resistor", "kick start resistor"), ("R",)),
    PartClass("current sense resistor", ("shunt resistor", "source resistor"), ("R",)),
    PartClass("fusible resistor", ("fuse resistor", "safety resistor", "flameproof resistor"), ("R", "RF", "FR")),
    PartClass("inrush limiter", ("ntc", "inrush thermistor"), ("RT", "NTC", "TH")),
    PartClass("resettable fuse", ("ptc", "polymer fuse"), ("RT", "PTC", "F")),
    PartClass("gas discharge tube", ("surge arrester", "spark gap"), ("GDT", "SG")),
    PartClass("varistor", ("mov", "vdr"), ("RV", "VR", "ZNR")),
    PartClass("potentiometer", ("trimmer", "pot", "preset"), ("VR", "RV", "P")),
    PartClass("fuse", (), ("F", "FU")),
    PartClass("thermal cut-out", ("thermal fuse", "thermostat"), ("TF", "TH", "S")),
    PartClass("diode", ("rectifier diode", "rectifier"), ("D",)),
    PartClass("Schottky rectifier", ("schottky", "output rectifier", "dual schottky"), ("D",)),
    PartClass("fast rectifier", ("ultrafast diode", "fast diode"), ("D",)),
    PartClass("bridge rectifier", ("bridge", "rectifier bridge"), ("BD", "BR", "D", "DB")),
    PartClass("zener diode", ("zener",), ("ZD", "D", "Z")),
    PartClass("surge suppressor diode", ("tvs diode", "tvs"), ("D", "ZD", "TVS")),
    PartClass("light-emitting diode", ("led", "led strip", "backlight led"), ("LED", "D")),
    PartClass("bipolar transistor", ("transistor", "bjt", "driver transistor"), ("Q", "T", "TR")),
    PartClass("MOSFET", ("fet", "switching transistor"), ("Q", "T", "TR")),
    PartClass("power factor MOSFET", ("pfc mosfet", "pfc fet"), ("Q",)),
    PartClass("controller IC", ("pwm controller", "pwm ic", "primary controller", "control ic"), ("U", "IC")),
    PartClass("power factor controller IC", ("pfc controller", "pfc ic"), ("U", "IC")),
    PartClass("integrated switcher", ("standby switcher", "offline switcher", "switcher ic"), ("U", "IC")),
    PartClass("backlight driver IC", ("led driver ic", "boost controller"), ("U", "IC")),
    PartClass("linear regulator", ("regulator", "three terminal regulator", "ldo"), ("U", "IC", "VR")),
    PartClass("buck regulator", ("step-down regulator", "dc-dc converter"), ("U", "IC")),
    PartClass("shunt reference", ("voltage reference", "adjustable reference", "431"), ("U", "IC", "Q")),
    PartClass("optocoupler", ("opto", "photocoupler", "photo coupler", "opto-isolator", "optoisolator"), ("PC", "OK", "ISO", "OC", "U", "IC")),
    PartClass("supervisor IC", ("protection ic", "watchdog ic", "reset ic"), ("U", "IC")),
    PartClass("microcontroller", ("mcu", "processor"), ("U", "IC")),
    PartClass("memory", ("eeprom", "flash memory"), ("U", "IC")),
    PartClass("op-amp or comparator", ("op amp", "comparator"), ("U", "IC")),
    PartClass("triac or thyristor", ("triac", "thyristor", "scr"), ("Q", "TR", "SCR")),
    PartClass("IGBT", ("power transistor module",), ("Q",)),
    PartClass("transformer", ("switching transformer", "smps transformer"), ("T", "TR")),
    PartClass("inductor", ("coil", "choke"), ("L",)),
    PartClass("line filter", ("common mode choke",), ("LF", "L", "FL")),
    PartClass("ferrite bead", ("bead",), ("FB", "L")),
    PartClass("relay", (), ("K", "RY", "RL")),
    PartClass("switch", ("push button", "rocker switch"), ("S", "SW")),
    PartClass("crystal", ("resonator", "quartz"), ("Y", "X")),
    PartClass("connector", ("plug", "socket", "header"), ("CN", "J", "P", "X")),
    PartClass("cable", ("lead", "ribbon cable", "wiring"), ("W",)),
    PartClass("solder joint", ("dry joint", "cold joint", "cracked joint"), ()),
    PartClass("circuit board", ("pcb", "track", "trace", "via", "jumper", "wire link"), ("PCB",)),
    PartClass("fan", ("cooling fan", "blower"), ("M", "FAN")),
    PartClass("motor or pump", ("motor", "pump"), ("M",)),
    PartClass("heating element", ("heater",), ("E", "EH", "R")),
    PartClass("loudspeaker or buzzer", ("speaker", "buzzer", "sounder"), ("LS", "BZ")),
    PartClass("cold-cathode lamp", ("ccfl", "backlight tube"), ("DS", "L")),
    PartClass("keypad", ("membrane", "key foil", "touch panel"), ("S", "SW")),
    PartClass("heat sink or pad", ("heat sink", "insulating pad", "thermal paste"), ("HS",)),
    PartClass("display module", ("lcd", "vfd", "display"), ("DS", "LCD")),
    PartClass("battery", ("cell", "backup battery"), ("BT", "BAT")),
    PartClass("sensor", ("temperature sensor", "hall sensor"), ("RT", "B", "U")),
    PartClass("other", (), ()),
)
