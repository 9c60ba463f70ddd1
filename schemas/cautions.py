"""What tables and pages say beside anything that could lead to ground being worked: one text for all."""

WORKING = (
    "Have buried lines, cables and drains located and marked before any ground is worked (in the US call "
    "811, in Canada Click Before You Dig). Heavy draft can hurt people: keep them clear of the implement. "
    "Local rules and licensed people decide. Evidence from one farm, not advice."
)
