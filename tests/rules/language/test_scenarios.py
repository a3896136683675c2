"""What the scenarios' alerts say, each cause once: whole in every language, whatever names stand in the sentence."""

import pytest
from witnesspost.daemon.pipeline import Pipeline
from witnesspost.replay.play.player import play
from witnesspost.replay.world.invent import invent
from witnesspost.replay.world.scenario import bundled, scenarios
from witnesspost.replay.world.truth import truths
from witnesspost.rules.book.words import words
from witnesspost.rules.language.speech import Speech, languages

LONGEST_S = 3600.0


def of_each_cause():
    """Short scenarios until each cause of the truths has been in one; silence is known only in the play: all of its own."""
    reached = set()
    for path in bundled():
        for one in scenarios(path):
            causes = {(truth.rule, cause) for truth in truths(one) for cause in truth.causes}
            if one.duration_s <= LONGEST_S and (causes - reached or one.name.startswith("corrections-stopped")):
                reached |= causes
                yield one


@pytest.mark.slow
@pytest.mark.parametrize("language", [language for language in languages() if language != "en"])
def test_no_alert_of_the_scenarios_stays_english(language):
    speech, told, english = Speech.of(language), set(), set()
    for one in of_each_cause():
        for change in play(Pipeline(one.site), invent(one, None), end_t=one.duration_s):
            told.add((change.rule, change.cause))
            (say, steps), (say_so, steps_so) = words(change), words(change, speech)
            pairs = zip([say, *steps], [say_so, *steps_so], strict=True)
            english |= {(change.rule, change.cause, said) for said, translated in pairs if said == translated}
    assert english == set()
    assert len(told) > 70
