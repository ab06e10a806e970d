"""Is the bench good enough? Its own faults measured, each with a verdict that says what to do.

chi              chi-square and F: how well a spread is known, whether one exceeds another
verdict          the last result of every qualification: good or not, and what to do
spreads          standard deviations over repeats, as results
stillness        what people moving do to a level
reflectivity     what the walls do: reflected level, spread of a gain, usable frequencies
leakage          shielding of lid and seam; ingress: transmitters that get in
coupler          effective directivity and source match from open, short, load and more
night            how long a baseline may be used
"""
