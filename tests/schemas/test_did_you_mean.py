from schemas.did_you_mean import nearest


def test_the_most_alike_come_first_and_keep_their_spelling():
    known = ["Latitude", "longitude", "elevation_m"]
    assert nearest("latitud", known) == ["Latitude"]
    assert nearest("LONGITUDE", known, most=2) == ["longitude", "Latitude"]


def test_what_is_too_unlike_is_not_named():
    assert nearest("lat", ["latitude"]) == ["latitude"]
    assert nearest("lat", ["latitude"], likeness=0.6) == []
    assert nearest("x", []) == []
