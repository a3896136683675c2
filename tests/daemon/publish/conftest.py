import pytest

from tests.daemon.publish.broker import Broker, Listener


@pytest.fixture
def broker(open_folder):
    one = Broker(open_folder)
    yield one
    one.kill()


@pytest.fixture
def listen():
    listeners = []

    def made(port, topic="witnesspost/#", **login):
        listeners.append(Listener(port, topic, **login))
        return listeners[-1]

    yield made
    for one in listeners:
        one.close()
