"""Episode <-> FHIR R4: one two-way table per resource type.

::

    entry --images()--> resources        Lens.fold(resources) --> entries        (asserted)
    standing entries --assembled(), due_images()--> anchor, use, flag, tasks     (assembled)
    standing entries --local_values(), summary_values()--> derived_image()       (derived)
"""

from .assembled import ASSEMBLED_FROM, ASSEMBLED_ID, assembled
from .derived import (
    LOCAL_KINDS,
    ValueKey,
    Values,
    depends_on,
    derived_id,
    derived_image,
    is_derived,
    local_keys,
    local_values,
    measures_of,
    summary_values,
)
from .due import DUE_PROFILE, due_images
from .elements import dictionary, mapped
from .fragments import derived_entry_id
from .profiles import known as known_profiles
from .reading import Lens, Stored
from .recognising import CONTEXT_TYPES
from .searches import OWN_SEARCHES, OwnSearch, searches
from .site_codes import NO_CODES, SiteCodes
from .skipped import SKIPPED_TYPES, skipped, used
from .special import DRILL, stated_protocol
from .tables import TABLES
from .unread import UnreadResource, unread_kinds
from .urls import BASE, ENTRY_ID, EPISODE_ID, FACILITY_ID, STAFF_ID
from .writing import CONFIDENTIALITY, Context, Image, images, retraction_image

__all__ = [
    "ASSEMBLED_FROM",
    "ASSEMBLED_ID",
    "BASE",
    "CONFIDENTIALITY",
    "CONTEXT_TYPES",
    "DRILL",
    "DUE_PROFILE",
    "ENTRY_ID",
    "EPISODE_ID",
    "FACILITY_ID",
    "LOCAL_KINDS",
    "NO_CODES",
    "OWN_SEARCHES",
    "SKIPPED_TYPES",
    "STAFF_ID",
    "TABLES",
    "Context",
    "Image",
    "Lens",
    "OwnSearch",
    "SiteCodes",
    "Stored",
    "UnreadResource",
    "ValueKey",
    "Values",
    "assembled",
    "depends_on",
    "derived_entry_id",
    "derived_id",
    "derived_image",
    "dictionary",
    "due_images",
    "images",
    "is_derived",
    "known_profiles",
    "local_keys",
    "local_values",
    "mapped",
    "measures_of",
    "retraction_image",
    "searches",
    "skipped",
    "stated_protocol",
    "summary_values",
    "unread_kinds",
    "used",
]
