"""How many spoken readings are right, and how long the recogniser takes for the length of the sound.

    PYTHONPATH=tests python -m speech.figures ["held out"|development|"further SEED"] [--confirm]

prints a line for each kind of noise and the time as a share of the sound's length; `--confirm` plays the whole
dialogue with a spoken yes and no.
"""

from __future__ import annotations

import sys
import time
from collections import Counter

from speech.spoken_set import confirmed, further, hear, is_right, page_of, readings, would_type


def main() -> None:
    """Prints the figures of one half, of the development half where none is named."""
    half = " ".join(word for word in sys.argv[1:] if not word.startswith("-")) or "development"
    seed = half.removeprefix("further ")
    chosen = further(int(seed)) if seed != half else [one for one in readings() if one.half == half]
    right: Counter[str] = Counter()
    asked: Counter[str] = Counter()
    sound_s = work_s = longest_s = 0.0
    kept, wrong, none = 0, 0, 0
    for one in chosen:
        sound, page = one.sound(), page_of(one)
        hear(sound, page)  # model and grammar are loaded before somebody speaks
        before, wall = time.process_time(), time.perf_counter()
        heard, _ = hear(sound, page)
        work_s += time.process_time() - before
        longest_s = max(longest_s, time.perf_counter() - wall)
        sound_s += len(sound) / 32_000
        for group in (f"{one.snr_db} dB" if one.snr_db != "none" else "no noise", one.page, "all"):
            asked[group] += 1
            right[group] += is_right(one, heard)
        if "--confirm" in sys.argv:
            outcome = confirmed(one)
            good = outcome.kept == would_type(one)
            kept, wrong, none = (
                kept + (good and bool(outcome.kept)),
                wrong + (bool(outcome.kept) and not good),
                none + (not outcome.kept),
            )
            if outcome.kept and not good:
                print(*outcome.sayings, sep="\n")
    for group, count in asked.items():
        print(f"{half}, {group}: {right[group]} of {count}")
    print(
        f"processor time {work_s / len(chosen):.2f} s a reading, {work_s / sound_s:.2f} of the sound's length"
    )
    print(f"longest wait {longest_s:.2f} s")
    if "--confirm" in sys.argv:
        print(f"after the dialogue: {kept} kept as meant, {wrong} kept wrong, {none} not kept")


if __name__ == "__main__":
    main()
