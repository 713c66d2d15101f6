"""The module `rp2`, as far as a program without PIO and DMA asks for it."""


def bootsel_button():
    """Return 1 while the BOOTSEL button is held; on this board nobody holds it."""
    return 0


def country(code=None):
    """Return the radio's country code; this board has no radio."""
    return ""
