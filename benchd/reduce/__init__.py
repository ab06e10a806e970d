"""Reduction: normalised traces in, results with their uncertainty out. Pure numpy, no I/O.

The mathematics takes arrays and plain numbers; `benchd.results.Result` is what leaves the room.

    decibels              levels, ratios, reflection quantities, free space loss
    distributions         Student's t, chi-square and F
    uncertainty           terms, budgets, Welch-Satterthwaite (JCGM 100)
    montecarlo            propagation of distributions (JCGM 101) and the rule that chooses it
    budget_inputs         what is known of the bench, with documented defaults
    noise, near_noise     a carrier near noise: bias and scatter of each detector
    pathcheck             whether a working path can have given a reading
    compatibility         whether a baseline fits a capture; the differences as sentences
    normalise             a capture divided by its baseline, in dB
    reflectometer         error model of the coupler: directivity, source match, baseline
    leak, near_leak       draws of a leak over frequency; reflections near the leak
    reflection            return loss, VSWR, reflection magnitude, mismatch loss at frequencies
    worst_match           the worst return loss and VSWR over a band
    gamma_squared         a trace as gamma^2 with its noise
    dip_search, dips      where a trace dips, clear of ripple; which dip is wanted
    resonance             resonance by a fit; resonance_curve: its form; resonance_interval
    bandwidth, trim       band edges and Q; what to cut off, and trim_history over several looks
    gain_by_substitution  gain against a reference antenna; absolute_gain: without one
    farfield              whether the range is long enough
    weak_radiation        gain where the antenna hardly radiates forward
    band_extremes         mean, least and largest value of a curve over a band
    gain_over_places      gain averaged over places in the box; ripple: reflected level
    compare, drift        two conditions; how old a baseline may become
    revisions             difference of two reflections over one coupler
    qualify               is the bench good enough?
"""
