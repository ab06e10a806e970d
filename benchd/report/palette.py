"""The colours of benchd's plots.

Chosen for this project: dark enough to read on white, and apart from each other for people with
colour vision deficiency. Both are checked in the tests, against WCAG 2.1 contrast and a published
simulation of dichromatic sight. No plot tells things apart by colour alone.
"""

PAPER = "#ffffff"
INK = "#17222d"
MUTED = "#56626e"
GRID = "#dfe4e8"
RULE = "#aab4bd"

CURVE = "#0a5a9c"  # the measured curve
TARGET = "#b8460e"  # what was aimed for: the design frequency, a limit
BAND = "#f3e7c4"  # the band inside a limit; only ever an area
BAND_EDGE = "#7a6013"
CAUTION = "#9c2a10"

SERIES = (CURVE, "#2b2b2b", "#8f7d00", "#c2557e")  # never TARGET: that is the design frequency
DASHES = ("-", (0, (6, 2)), (0, (1.5, 1.5)), (0, (7, 2, 1.5, 2)))
