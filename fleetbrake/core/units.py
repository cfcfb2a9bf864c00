"""Physical constants and the few conversions that the inside needs (everything inside is SI)."""

#: Standard acceleration of free fall, m/s2 (exact by definition, 3rd CGPM 1901).
G_MPS2 = 9.80665

#: One kilometre per hour in m/s.
KMH = 1.0 / 3.6

#: One mile per hour in m/s (international mile, exact).
MPH = 0.44704

#: One foot in m (exact).
FOOT = 0.3048
