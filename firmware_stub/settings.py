"""What holds for one node, whatever it is told."""

try:
    from . import codec
except ImportError:  # on the board the files stand side by side
    import codec


class Settings:
    """What a fitter sets once per node. Times in ms."""

    def __init__(
        self,
        node,
        key,
        channels=1,
        travel_ms_max=20000,
        longest_open_ms=7200000,
        daily_open_ms_max=14400000,
        open_at_once_max=1,
        supply_low_mv=None,
        heartbeat_ms=300000,
        open_report_ms=10000,
        shuts_without_power=False,
        cuts_itself_off=True,
        tick_modulus=1 << 30,
    ):
        if not codec.is_name(node, 32):
            raise ValueError("node: a short name of letters, digits, - _ .")
        if len(key) < codec.KEY_BYTES_MIN:
            raise ValueError("key: 16 bytes at least")
        if not codec.is_int(channels, 1, codec.CHANNELS_MAX):
            raise ValueError("channels: 1 to 4")
        if not codec.is_int(longest_open_ms, 1, codec.OPEN_MS_MAX):
            raise ValueError("longest_open_ms: up to a day")
        if not 0 < heartbeat_ms < tick_modulus // 4:
            raise ValueError("heartbeat_ms: shorter than the tick counter's wrap")
        self.node = node
        self.key = key
        self.channels = channels
        self.travel_ms_max = travel_ms_max
        self.longest_open_ms = longest_open_ms
        self.daily_open_ms_max = daily_open_ms_max
        self.open_at_once_max = open_at_once_max
        self.supply_low_mv = supply_low_mv
        self.heartbeat_ms = heartbeat_ms
        self.open_report_ms = open_report_ms
        self.shuts_without_power = shuts_without_power
        self.cuts_itself_off = cuts_itself_off
        self.tick_modulus = tick_modulus
