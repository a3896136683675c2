"""What the box lays over the product does what the box relies on."""

import os
import subprocess
import sys
from pathlib import Path

import pytest

from tests.daemon.conftest import Line
from tests.daemon.test_hang import feed
from tests.daemon.test_service import SITE

HANG = Path(__file__).with_name("box_hang.py")


@pytest.mark.slow
def test_the_rule_hangs_while_its_line_is_well(tmp_path):
    """A rule that is not due is not asked: where the hang waits to be asked, nothing would hang."""
    line = Line(tmp_path / "tty-corrections")
    site, run = tmp_path / "site.toml", tmp_path / "run"
    site.write_text(SITE.format(port=line.path))
    run.mkdir()
    (tmp_path / "sitecustomize.py").write_text(HANG.read_text())
    environment = {
        **os.environ,
        "PYTHONPATH": os.pathsep.join((str(tmp_path), os.environ["PYTHONPATH"])),
        "RUNTIME_DIRECTORY": str(run),
    }
    words = [sys.executable, "-m", "witnesspost.daemon", "watch", str(site)]
    with subprocess.Popen(words, stdout=subprocess.DEVNULL, stderr=subprocess.PIPE, env=environment, text=True) as watch:
        try:
            while "open" not in watch.stderr.readline():
                pass
            feed(line, 0, 10)
            (run / "hang").touch()
            feed(line, 10, 10)  # no silence meanwhile
            assert not (run / "hang").exists()
            watch.terminate()
            with pytest.raises(subprocess.TimeoutExpired):
                watch.communicate(timeout=1.0)
        finally:
            watch.kill()
            watch.communicate()
            line.unplug()
