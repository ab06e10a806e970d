"""Showing and handing on results: numbers in words, plots, exports.

    wording      a result as a person says it: value, unit, uncertainty, flags
    plots        what to draw for a capture or a job; loads matplotlib only when it draws
    tables       CSV
    touchstone   Touchstone 1 files

`wording` is light and is what the commands print with.
"""
