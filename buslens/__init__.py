"""Decoder of recorded vehicle-bus logs and checker of the steering-lock handshake."""
