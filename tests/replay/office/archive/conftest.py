import pytest

from tests.replay.office.archive.logs import write_log

CABLE, NEIGHBOUR = "radio-cable-pulled-and-back", "neighbours-base-on-our-channel"
WRONG_BASE = "control-check:under-a-base-orthometric-as-ellipsoidal"


@pytest.fixture(scope="session")
def written(tmp_path_factory):
    """A folder with three logs of two posts: nobody changes it."""
    folder = tmp_path_factory.mktemp("logs")
    write_log(folder, CABLE)
    write_log(folder, WRONG_BASE, zone="America/Denver")
    write_log(folder, NEIGHBOUR, post="ridge-rover")
    return folder
