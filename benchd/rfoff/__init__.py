"""RF off without the rest of benchd: what is known of each source, and how it is switched off.

    record      the sources of a bench, kept on disk before RF first goes on
    salvage     sources read from a bench file that cannot be loaded
    ownership   which living daemon owns an instrument's address
    lines       bytes to and from a raw socket or a serial line
    sending     OFF to many sources at once, each with its outcome
    start       what `benchd serve` does before it reads anything else

`benchd rf-off` itself is `benchd.cli.quick_rf_off`.

Only the standard library is imported, and of benchd only what lies on the ground: every import
is time in which RF may be on, and a thing that can fail. What does not speak over a raw socket or
a serial line is reached through `drivers.link`, which is loaded after the others were written to.
"""
