"""What holds for all tests, one by one or several at a time.

Hypothesis asks none to be quick, for how long an example takes says more of the machine than of the code; and
what a test starts puts its socket into the test's own folder, never into the system's.
"""

import tempfile
from pathlib import Path

import pytest
from hypothesis import HealthCheck, settings

settings.register_profile("witnesspost", deadline=None, suppress_health_check=[HealthCheck.too_slow])
settings.load_profile("witnesspost")


@pytest.fixture(autouse=True, scope="session")
def run_folder(tmp_path_factory):
    """Where a post that a test starts may be found, unless the test says another place."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setenv("RUNTIME_DIRECTORY", str(tmp_path_factory.mktemp("run")))
        patch.setenv("XDG_CACHE_HOME", str(tmp_path_factory.mktemp("cache")))
        yield


@pytest.fixture(scope="module")
def chromium(tmp_path_factory):
    """A browser, for who looks at a page as a person does."""
    from tests.daemon.page.chromium import Chromium

    one = Chromium(tmp_path_factory.mktemp("chromium"))
    yield one
    one.close()


@pytest.fixture
def open_folder():
    """A folder that every user may look into, as pytest's own is not."""
    with tempfile.TemporaryDirectory(prefix="witnesspost-") as name:
        folder = Path(name)
        folder.chmod(0o755)
        yield folder
