"""Is the bench good enough? Its own faults measured, each with a verdict that says what to do.

verdict          the last result of every qualification: good or not, and what to do
spreads          standard deviations over repeats, as results
stillness        what people moving do to a level
reflectivity     what the walls do: reflected level, spread of a gain, usable frequencies
leakage          shielding of lid and seam; ingress: transmitters that get in
coupler          effective directivity and source match from open, short, load and more
joint            the reflection of a joint that is made again
repeatability    the spread of reconnecting and of bending a cable
drift            how long a baseline may be used
comparison       whether two conditions of the bench differ
"""
