"""The firmware's clock in virtual time: only waiting passes it, and with it the board's hardware goes on."""

MODULUS = 1 << 30
_now = [0]
hardware = []  # called once a millisecond with the time


def ticks_ms():
    return _now[0] % MODULUS


def diff(later, earlier):
    half = MODULUS // 2
    return (later - earlier + half) % MODULUS - half


def sleep_ms(ms):
    for _ in range(ms):
        _now[0] += 1
        for tick in hardware:
            tick(_now[0])


def sleep_us(_us):
    pass
