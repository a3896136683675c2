"""Pieces of the Kestrel quarry's site files: its posts' lines and two of its marks."""

TWO_LINES = """[[stream]]
name = "corrections"
port = "{corrections}"
carries = ["corrections"]
[[stream]]
name = "receiver"
port = "{receiver}"
carries = ["positions"]
"""
ROVER = """[post]
name = "kestrel-rover"
role = "rover"
[[stream]]
name = "receiver"
port = "loop://"
carries = ["positions"]
"""
"""A rover's post that hears positions alone."""

KQ_1 = """[[project.control]]
name = "KQ-1"
latitude = 39.1234567
longitude = -104.9876543
height = 1874.322
"""
KQ_2 = """[[project.control]]
name = "KQ-2"
latitude = 39.1254567
longitude = -104.9856543
height = 1878.1
"""
MARKS = KQ_1 + KQ_2
