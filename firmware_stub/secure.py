"""TLS to the broker with one pinned authority: no other certificate is trusted, whoever signed it.

The broker is known by a name of its own, not by its address, so that it may move. A board without a clock
cannot judge dates; what protects is that the authority is the garden's own and nobody else's.
"""

BROKER_NAME = "fallinghead-broker"  # in the certificate that deploy/broker-setup.sh makes


def pinned(broker):
    """For the settings' broker: a function that wraps a connected socket, or None where TLS is not set.

    ``ca_der_base64``: the authority's certificate; DER, because not every board reads PEM. ``tls_name``: the
    name in the broker's certificate. ValueError where TLS is wanted and no authority is given: never weaker.
    """
    ca = broker.get("ca_der_base64")
    if not ca:
        if broker.get("tls") or broker.get("tls_name"):
            raise ValueError("broker: tls without ca_der_base64")
        return None
    import ssl
    from binascii import a2b_base64

    context = ssl.SSLContext(ssl.PROTOCOL_TLS_CLIENT)
    context.verify_mode = ssl.CERT_REQUIRED
    context.load_verify_locations(cadata=a2b_base64(ca))
    name = broker.get("tls_name") or BROKER_NAME

    def wrap(connected):
        # The handshake goes on within reads and writes that do not block: the loop never waits for it.
        return context.wrap_socket(connected, server_hostname=name, do_handshake_on_connect=False)

    return wrap
