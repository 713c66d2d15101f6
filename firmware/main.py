"""What the board runs after its start."""

import app

app.run()
