"""Signed frames of the node's own: a state and a log, shortened until they fit."""

try:
    from . import codec
except ImportError:  # on the board the files stand side by side
    import codec


def state(body, key):
    """The body loses what need not be told now where the frame would be too long."""
    frame = codec.seal("state", codec.dump(body), key)
    while len(frame) > codec.STATE_BYTES_MAX:
        shorten(body)
        frame = codec.seal("state", codec.dump(body), key)
    return frame


def shorten(body):
    """Leave out what can be told later or is counted anyway, least important first."""
    if len(body["refusals"]) > 0:
        body["refusals"] = body["refusals"][1:]
    elif len(body["outcomes"]) > 1:
        body["outcomes"] = body["outcomes"][:-1]
    elif body["reading"] is not None:
        body["reading"] = None
    else:
        raise ValueError("state too large")


def log(body, key):
    """The oldest entries go first where the frame would be too long."""
    while True:
        frame = codec.seal("log", codec.dump(body), key)
        if len(frame) <= codec.STATE_BYTES_MAX:
            return frame
        body["entries"] = body["entries"][1:]
