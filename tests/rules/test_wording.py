"""What findings, cautions and the catalogue say: they state and cite, and never instruct.

Source: none published: a record that states and does not instruct is this project's rule, and so is the list of forms.
"""

import ast
import inspect
import re
from datetime import timedelta

import pytest

from fhirmod.episode import Episode, Protocol
from fhirmod.exchange import CAUTIONS
from fhirmod.stories import story
from fhirmod.validation import RULES, catalogue, findings

from .told import CASES, received

MODAL = (
    r"should|must|ought|shall|have to|has to|needs? to|needed|required?|recommend\w* (?:that|to|you)|advis\w+|suggest\w*|"
    r"consider|ensure|make sure|please|avoid|urgent\w*|immediate\w*|at once|never mind|be sure|let us|"
    r"is indicated|are indicated|warrants?|call for help"
)
VERBS = (
    "do not|don't|give|call|check|stop|start|remove|refill|fill|empty|examine|transfer|move|inflate|deflate|withdraw|measure|record|"
    "repeat|confirm|review|treat|administer|increase|decrease|use|take|prepare|inform|escalate|monitor|watch|look|keep|ask|"
    "correct|send|see|read|add|get|go|try|wait|note|verify|reassess|resuscitate|transfuse|massage|insert|reposition|notify"
)
INSTRUCTS = re.compile(rf"\b(?:{MODAL})\b|(?:^|[.;:!?]\s+|,? (?:then|and then) )(?:{VERBS})\b", re.IGNORECASE)


@pytest.mark.parametrize(
    "sentence",
    [
        "You should call the surgeon.", "Refill the balloon.", "Bleeding goes on; give oxytocin.", "Consider theatre.",
        "The balloon must come out.", "Stop: remove it, then examine.", "Vital signs need to be taken.", "Please check.",
        "An examination is recommended to you.", "It is late, and then transfer her.", "Do not wait.",
    ],
)  # fmt: skip
def test_the_list_knows_an_instruction(sentence: str) -> None:
    assert INSTRUCTS.search(sentence)


@pytest.mark.parametrize(
    "sentence",
    [
        "None recorded here since 10:12; your protocol's step for a balloon that does not hold applies.",
        "A fill is recorded at 02:50; no examination is recorded since.",
        "The site's watch is 30 min or more.",
    ],
)
def test_the_list_lets_a_statement_pass(sentence: str) -> None:
    assert not INSTRUCTS.search(sentence)


@pytest.mark.parametrize("caution", CAUTIONS)
def test_a_caution_states(caution: str) -> None:
    assert not INSTRUCTS.search(caution)


@pytest.mark.parametrize("rule", catalogue(), ids=lambda one: one.id)
def test_the_catalogue_states(rule: object) -> None:
    one = RULES[rule.id]  # type: ignore[attr-defined]
    assert one.text == (inspect.getdoc(one.check) or "").partition("\n")[0]
    assert one.text.endswith(".")
    assert not INSTRUCTS.search(one.text)


@pytest.mark.parametrize("rule", catalogue(), ids=lambda one: one.id)
def test_every_word_a_rule_can_say_states(rule: object) -> None:
    """Read from the source too: a branch that no case takes still says nothing that instructs."""
    one = RULES[rule.id]  # type: ignore[attr-defined]
    tree = ast.parse(inspect.getsource(inspect.getmodule(one.check) or one.check))
    for node in ast.walk(tree):
        if isinstance(node, ast.JoinedStr):
            parts = [part.value if isinstance(part, ast.Constant) else "X" for part in node.values]
            text = "".join(map(str, parts))
            assert not INSTRUCTS.search(text), text


def test_every_message_of_every_case_states() -> None:
    said = {one.sentence for case in CASES for one in case.found()}
    assert len(said) > 100
    assert [sentence for sentence in said if INSTRUCTS.search(sentence)] == []


def test_every_message_of_invented_stories_states() -> None:
    protocol = Protocol.default()
    said = set()
    for seed in range(40):
        episode = Episode("story").adding(received(story(seed, dirt="some")))
        for part in (3, 2, 1):
            at = max(one.at for one in episode.received) - timedelta(hours=part - 1)
            said |= {one.sentence for one in findings(episode, as_of=at, protocol=protocol)}
    assert [sentence for sentence in said if INSTRUCTS.search(sentence)] == []
