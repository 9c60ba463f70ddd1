"""Thirteen trials with published figures, for the tests of pooling.

The BCG vaccine trials, Colditz et al. 1994, JAMA 271.
"""

from __future__ import annotations

from io import StringIO

import numpy as np

# Year, tuberculosis and none among the vaccinated, tuberculosis and none among the others, latitude.
BCG = np.loadtxt(
    StringIO("""
    1948    4   119   11   128  44
    1949    6   300   29   274  55
    1960    3   228   11   209  42
    1977   62 13536  248 12619  52
    1973   33  5036   47  5761  13
    1953  180  1361  372  1079  44
    1973    8  2537   10   619  19
    1980  505 87886  499 87892  13
    1968   29  7470   45  7232  27
    1961   17  1699   65  1600  42
    1974  186 50448  141 27197  18
    1969    5  2493    3  2338  33
    1976   27 16886   29 17825  33
    """)
)
YEAR, A, B, C, D, LATITUDE = BCG.T
Y = np.log(A / (A + B)) - np.log(C / (C + D))
V = 1 / A - 1 / (A + B) + 1 / C - 1 / (C + D)
