"""What the board runs after its start."""

import gc

# Compiling the modules one after the other would otherwise leave the heap in pieces too small for a record.
gc.threshold(32768)

import app  # noqa: E402

gc.threshold(-1)
app.run()
