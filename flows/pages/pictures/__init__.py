"""Draw pictures whose title is what they show, found by rule; may import ``sections`` and the modules of ``pages``.

matplotlib, without a screen: it draws the same on every system, to PNG for mail and SVG for the
printed page. Treated is a full dark line with filled marks, check a broken lighter one with open
marks, so that they stay apart in black and white and for the color-blind. Labels stand beside
what they name; what is not known is left open.
"""
