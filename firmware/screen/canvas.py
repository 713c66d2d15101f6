"""Drawing text on the display: proportional, at three sizes, normal or inverse.

For the larger sizes each pixel of the font becomes a square. A page full of text takes some 30 ms to draw on the board.
"""

from . import font

_GAP = 1
_SPACE = 2
LINE = 9


class Canvas:
    """A display to draw on."""

    def __init__(self, display):
        """display: a FrameBuffer with width, height and show."""
        self._display = display
        self.width = display.width
        self.height = display.height

    def clear(self, color=0):
        """Fill the whole picture."""
        self._display.fill(color)

    def show(self):
        """Send the picture to the display."""
        self._display.show()

    def show_row(self, page):
        """Send eight rows: page 0 to 7."""
        self._display.show_page(page)

    def bar(self, x, y, width, height, color=1):
        """Fill a rectangle [pixels]."""
        self._display.fill_rect(x, y, width, height, color)

    def frame(self, x, y, width, height, color=1):
        """Draw the outline of a rectangle [pixels]."""
        self._display.rect(x, y, width, height, color)

    def text_width(self, text, scale=1):
        """Return the width of a text [pixels]."""
        width = 0
        for char in text:
            if char == " ":
                width += _SPACE + _GAP
            else:
                start, end = font.place(char)
                width += end - start + _GAP
        return max(0, width - _GAP) * scale

    def text(self, text, x, y, scale=1, color=1):
        """Write a text with its upper left corner at (x, y) [pixels]. Returns where the next glyph would begin."""
        display = self._display
        columns = font.COLUMNS
        for char in text:
            if char == " ":
                x += (_SPACE + _GAP) * scale
                continue
            start, end = font.place(char)
            for index in range(start, end):
                bits = columns[index]
                row = 0
                while bits:
                    run = 0
                    while not bits & 1:
                        bits >>= 1
                        row += 1
                    while bits & 1:
                        bits >>= 1
                        run += 1
                    display.fill_rect(x, y + row * scale, scale, run * scale, color)
                    row += run
                x += scale
            x += _GAP * scale
        return x

    def right(self, text, y, scale=1, color=1, edge=None):
        """Write a text that ends at the right edge, or at `edge` [pixels]."""
        edge = self.width if edge is None else edge
        self.text(text, edge - self.text_width(text, scale), y, scale, color)

    def centre(self, text, y, scale=1, color=1):
        """Write a text in the middle of the picture."""
        self.text(text, max(0, (self.width - self.text_width(text, scale)) // 2), y, scale, color)

    def label(self, text, x, y):
        """Write a text inverse, in a filled box of its own. Returns the x behind the box."""
        width = self.text_width(text) + 4
        self.bar(x, y, width, LINE)
        self.text(text, x + 2, y + 1, 1, 0)
        return x + width

    def wrap(self, text, lines, width=None):
        """Break a text into at most so many lines that fit the width [pixels]; what is too long ends with two dots."""
        width = self.width if width is None else width
        found: list[str] = []
        line = ""
        for word in text.split(" "):
            longer = line + " " + word if line else word
            if self.text_width(longer) <= width:
                line = longer
                continue
            if len(found) == lines - 1:
                while line and self.text_width(line + "..") > width:
                    line = line[:-1]
                line += ".."
                break
            found.append(line)
            line = word
        found.append(line)
        return found

    def banner(self, text, y):
        """Write a line inverse over the whole width."""
        self.bar(0, y, self.width, LINE)
        self.text(text, 1, y + 1, 1, 0)

    def paragraph(self, text, y, lines, color=1, pitch=LINE):
        """Write a text over at most so many lines from y on. Returns the y below it."""
        for line in self.wrap(text, lines):
            self.text(line, 0, y, 1, color)
            y += pitch
        return y
