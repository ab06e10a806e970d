"""The live look: sweep after sweep with RF on, for as long as somebody looks.

`request` says what may be asked for and turns it into a worksheet, `plan` prepares that against the
stored baselines, `look` is one look with its viewers and its end, `sweeping` runs it on the bench
thread, `keeping` stores a sweep, and `looks` is what desk and queue call.
"""
