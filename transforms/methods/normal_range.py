"""How many standard deviations of the normal distribution hold 95% and 90% of it, on both sides."""

Z_95 = 1.959963984540054
Z_90 = 1.6448536269514722
