"""The laws of the record on plausible stories, however dirty: nothing fails, nothing is lost, nothing is counted twice."""

from hypothesis import HealthCheck, given, settings

from fhirmod.exchange import case_bundle
from fhirmod.stories import Story
from tests.stories import plausible

from .case import ALL, request
from .test_laws import _unlinked, fresh, said

LAW = settings(max_examples=15, deadline=None, suppress_health_check=list(HealthCheck))


@LAW
@given(story=plausible())
def test_a_story_is_taken_whole_and_sent_on_as_fhir_it_stands_the_same(backend: str, story: Story) -> None:
    with fresh(backend) as here, fresh(backend) as there:
        episode = here.open(request(), story.opening)[0].row.id
        receipt = here.append(request(), episode, story.entries, distinct=True)
        assert {one.status for one in receipt.entries} <= {"accepted", "repeat", "waiting"}, receipt
        assert here.rebuild(request()) == 0
        live = here.snapshot(ALL, episode)
        ids = {entry["id"] for entry in story.entries}
        assert {one for one in live.episode.by_id if one != episode} == ids
        bundle = here.store.read(lambda reader: case_bundle(reader, ALL, episode, "http://a/fhir", type="transaction"))
        _, taken = there.transaction(request(), bundle)
        assert taken.unread == ()
        assert [_unlinked(one) for one in said(there.snapshot(ALL, episode))] == [_unlinked(one) for one in said(live)]
        again = here.append(request(), episode, story.entries, distinct=True)
        assert {one.status for one in again.entries} == {"repeat"}
