"""What to do about each finding, and what is missing if a check cannot be made."""

from __future__ import annotations

ADVICE = {
    "silent": (
        "It has sent no values since. Check its power, its antenna or cable, and whether its files "
        "still arrive. What was measured in between is unknown until its files come."
    ),
    "no values": (
        "It has given no values since, while the rest of the instrument goes on. Check its cable "
        "and plug, and whether its column still has the same heading. If that does not help, "
        "replace the sensor. If it was taken out, give it a last day (to) in farm.toml."
    ),
    "battery failing": (
        "Its battery is failing: replace or charge it now, and look at the charger or the solar "
        "panel."
    ),
    "battery falling": (
        "Its battery sinks lower than in the year before: clean the solar panel and plan to "
        "replace the battery before the day it fails."
    ),
    "gap": (
        "Days are missing, or less than a quarter of each was recorded: every total that holds "
        "them is short. Look whether the logger still has them, and put its file into the drop "
        "folder."
    ),
    "gap pattern": (
        "Single days are missing by the calendar: look at how its files are split or fetched, not "
        "at the instrument."
    ),
    "stuck": (
        "The sensor is stuck at one value. Check the cable and the plug. If that does not help, "
        "replace the sensor. Its values of these days are not measurements."
    ),
    "impossible": (
        "The sensor reports values that are physically impossible. Check the cable, the plug and "
        "the calibration. If that does not help, replace the sensor."
    ),
    "flagged as suspect": (
        "Its values are kept in the table flagged_reading and not used. Ask whoever flags them what "
        "the flag means, and check the sensor. If such values are good, change what the flag means "
        "in the layout in farm.toml."
    ),
    "flagged as frozen": (
        "Its values are kept in the table flagged_reading and not used. In frozen soil this is "
        "normal. If the soil is not frozen, check the soil temperature by which it is flagged."
    ),
    "set aside": (
        "The field book says not to use it. Take the row off the sheet 'do not use', or give it a "
        "last day, if its values are good again."
    ),
    "clock": (
        "Its clock is wrong, by the sun or because it wrote times that lay in the future: set it. "
        "Where it is off by whole hours or by half a step, look at the time zone and at 'stamp' "
        "in farm.toml instead."
    ),
    "clock late": (
        "Its newest readings are older on arrival than they used to be: its clock may run slow, "
        "or its files are sent later. Hold its clock against a telephone's."
    ),
    "gauge blocked": (
        "Its gauge caught much less than the nearest healthy one. Clean the funnel and the screen, "
        "and check that the bucket tips freely and stands level."
    ),
    "gauge dry": (
        "Its gauge caught nothing on humid, dark days that used to bring rain: clean the funnel "
        "and the screen, pour a measured cup of water through, and see that the bucket tips and "
        "its cable is whole."
    ),
    "gauge lost": (
        "Its gauge caught nothing for weeks, or its total of several days is far too small, while "
        "another gauge caught rain. These days count as not recorded, not as dry. Clean the funnel "
        "and the screen, and check the bucket and the cable."
    ),
    "rain doubtful": (
        "This rain is hard to believe. Compare it with another gauge and with your notes. If it did "
        "not fall, enter the days in the field book's sheet 'do not use'. If every rain is too "
        "large, check the unit of the rain in farm.toml and the gauge's millimeters per tip."
    ),
    "rain impossible": (
        "This rain was left out. Check in farm.toml whether the unit is right and whether the column "
        "is a running total (rain_counter), then check the gauge and its cable."
    ),
    "rain disagreement": (
        "One day's rain differs much between the strips: a storm's edge, a gauge that was "
        "emptied, or water poured in at a service visit. Look at the notes of that day."
    ),
    "hand gauge disagreement": (
        "Its rain and that of the gauge read by hand beside it differ by more than a quarter over "
        "three weeks. Clean and level both. If that does not help, check the station's rain column in "
        "farm.toml, and unit and days on the sheet gauge."
    ),
    "counter jump": (
        "Its running rain total fell, jumped or left its height and came back, as no rain makes it: "
        "the rain of those readings is unknown and left out. Check the logger's power, the gauge's "
        "cable and whether another logger or gauge was connected."
    ),
    "radiation low": (
        "It catches less sun than its neighbor, or than a clear sky gives on the best days. Clean "
        "and level the radiation sensor. If that does not help, have it calibrated or replaced."
    ),
    "radiation high": (
        "It reports more sun than a clear sky gives, on several days. Check the sensor's factor "
        "and the unit in farm.toml, and have it calibrated."
    ),
    "temperature disagreement": (
        "Air temperature differs from the other strip's station, one of the two: look at both "
        "shields and fans."
    ),
    "humidity disagreement": (
        "Humidity differs from the other strip's station, one of the two: look at both filters, "
        "and have the sensors calibrated."
    ),
    "depths exchanged": (
        "Two depths take each other's values from this day: they were plugged crosswise before "
        "it, or are since. Look at the plugs and correct the sensors' depths in farm.toml for "
        "those days."
    ),
    "probe disturbed": (
        "Most of its sensors jumped at once without rain or irrigation: the probe may have been moved, pulled "
        "or cut. Look at it, and begin a new spell in farm.toml if it was set again."
    ),
}

MISSING = {
    "silent": "it does not stand on a trial any more, or has never reported",
    "no values": "it never gave a value, or does not stand on a trial any more",
    "battery failing": "no supply voltage of at least ten days, and of three months before them",
    "battery falling": "no supply voltage of at least ten days, and of three months before them",
    "gap": "no day with a quarter of its readings",
    "gap pattern": "no day with a quarter of its readings",
    "stuck": "no whole days with lowest and highest value",
    "impossible": "no values to judge",
    "flagged as suspect": "no value was ever flagged, or its files have no flags",
    "flagged as frozen": "no value was ever flagged, or its files have no flags",
    "clock": (
        "fewer than five clear days with whole radiation in steps of an hour or less within a "
        "month; readings later than their receipt would be noticed, and there were none"
    ),
    "clock late": "too few arrivals within a day and a half of their readings to know a habit",
    "gauge blocked": (
        "no month with enough wet days that it and a healthy gauge near it recorded whole and "
        "without snow"
    ),
    "gauge dry": (
        "fewer than ten humid, dark, snow-free days with humidity, radiation and rain whole"
    ),
    "gauge lost": "no other gauge near enough to judge it",
    "rain doubtful": "no day with a rain record",
    "rain impossible": "no day with a rain record",
    "rain disagreement": "no days that both strips' stations recorded whole and without snow",
    "hand gauge disagreement": (
        "no three weeks with four wet readings of a hand gauge beside it, on days that it recorded whole "
        "and without snow"
    ),
    "counter jump": "no rain record, or no day of one yet",
    "radiation low": "no two months of days with whole radiation, and no neighbor with them",
    "radiation high": "no two months of days with whole radiation",
    "temperature disagreement": "no days that both strips' stations recorded whole",
    "humidity disagreement": "no days that both strips' stations recorded whole",
    "depths exchanged": "no dry and frost-free days in a row",
    "probe disturbed": "no dry and frost-free days in a row",
}
