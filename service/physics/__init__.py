"""Air-side physics: pure functions on SI floats, one module per subject.

Units are Pa, K (absolute temperature), m3/s, kg/m3, kg/s, W, m, m2, s; ratios are 1.
A function raises `service.errors.OutOfRange` outside the range of its formula; none clamps.
"""
