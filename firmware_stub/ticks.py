"""The millisecond counter of either interpreter, with its own wrap."""

import time

try:
    ticks_ms = time.ticks_ms
    diff = time.ticks_diff
    sleep_ms = time.sleep_ms
    sleep_us = time.sleep_us
    # The period follows from the counter itself: adding -1 to 0 gives its last value.
    MODULUS = time.ticks_add(0, -1) + 1
except AttributeError:
    MODULUS = 1 << 30

    def ticks_ms():
        return int(time.monotonic() * 1000) % MODULUS

    def diff(later, earlier):
        half = MODULUS // 2
        return (later - earlier + half) % MODULUS - half

    def sleep_ms(ms):
        time.sleep(ms / 1000)
