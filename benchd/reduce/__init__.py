"""Reduction: normalised traces in, results with their uncertainty out. Pure numpy, no I/O.

The mathematics takes arrays and plain numbers; `benchd.results.Result` is what leaves the room.

    decibels         levels, ratios, reflection quantities, free space loss
    student          quantiles of Student's t
    uncertainty      terms, budgets, Welch-Satterthwaite (JCGM 100)
    montecarlo       propagation of distributions (JCGM 101) and the rule that chooses it
    knowledge        what is known of the bench, with documented defaults
    noise            CW near noise: bias and spread of each detector
    compatibility    does a baseline fit a capture? the differences as sentences
    normalise        capture over baseline, in dB; baselines bracketing a night
    reflectometer    error model of the coupler: directivity, source match, baseline left-over
    reflection       return loss, VSWR, reflection magnitude, mismatch loss at frequencies
    leak             draws of leaks that ripple over frequency
    squared          a trace as gamma^2 with its noise; valleys: where it dips, clear of ripple
    refit            what a fitted resonance may have been; dips: all of them, and their order
    resonance        resonance by fit; bandwidth: band edges and Q; trim: what to cut off
    farfield         range checks; transfer: gain by substitution; absolute: two and three antennas
    positions        averages over positions; ripple: reflected level from ripple
    compare          two conditions held against repeatability; drift: largest age of a baseline
"""
