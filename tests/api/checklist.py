"""What a FHIR R4 service of this kind has to do, row by row, and the tests that hold each row.

One table, read by `test_checklist`: every test that is named exists, every row has one or says why it has none yet. A
test is named ``folder/file::test``, below `tests`. Sections: interactions, bundles, search, errors, operations, statement
(HL7 FHIR R4 http.html, search.html, operations.html, capabilitystatement.html), and twenty-five mistakes that were seen
in other servers and tools, by number, and the ones that come after them.
"""

from typing import NamedTuple


class Row(NamedTuple):
    """A thing to hold, and where it is tested; `later` says what of it does not apply yet, and why."""

    key: str
    says: str
    tests: tuple[str, ...] = ()
    later: str = ""


INTERACTIONS = (
    Row(
        "any: form",
        "answers are application/fhir+json in UTF-8, asked for as R4 names it or as plain JSON; _format counts first",
        (
            "api/test_negotiation::test_accept_is_weighed",
            "api/test_negotiation::test_every_name_of_the_form_is_taken",
            "api/test_fhir::test_formats_are_negotiated",
            "api/test_interactions::test_nothing_is_written_whose_answer_the_client_would_not_take",
        ),
    ),
    Row(
        "any: version",
        "fhirVersion 4.0 is taken and named back to who names it; another version is 406 or 415",
        (
            "api/test_http::test_another_fhir_version_is_refused_in_both_directions",
            "api/test_interactions::test_another_version_is_refused_in_the_address_too",
            "api/test_interactions::test_who_names_the_version_of_fhir_is_told_it",
        ),
    ),
    Row(
        "any: body",
        "a body of another media type, packed or in another charset is 415",
        (
            "api/test_negotiation::test_a_body_is_json_in_utf_8_and_not_packed",
            "api/test_http::test_both_sides_say_the_same_sentence_each_in_its_own_shape",
        ),
    ),
    Row(
        "any: name of the request",
        "X-Request-Id comes back, or one is given",
        (
            "api/test_http::test_a_request_keeps_its_own_name_or_is_given_one",
            "api/test_interactions::test_the_name_that_a_client_gives_its_requests_comes_back",
        ),
    ),
    Row(
        "any: layout",
        "_pretty changes the layout and no digit",
        ("api/test_negotiation::test_a_pretty_answer_says_the_same_with_every_digit",),
    ),
    Row(
        "read",
        "200 with ETag and Last-Modified; 404 if it never was, 410 once deleted; an unknown type is 404",
        (
            "api/test_binary::test_who_wants_the_content_gets_its_bytes",
            "api/test_binary::test_everybody_else_gets_the_resource",
            "api/test_fhir::test_create_read_update_and_vread_keep_versions",
            "api/test_fhir::test_every_refusal_is_an_operation_outcome",
            "api/test_deleting::test_what_is_deleted_is_gone_leaves_searches_and_can_be_revived",
            "api/test_claims::test_a_type_that_is_not_claimed_is_404_however_it_is_asked",
        ),
    ),
    Row(
        "read: head",
        "HEAD is GET without the body",
        (
            "api/test_interactions::test_a_head_is_its_get_without_the_body",
            "api/test_http::test_head_answers_as_get_does_without_the_body",
        ),
    ),
    Row(
        "read: conditional",
        "If-None-Match and If-Modified-Since give 304; what is gone stays 410",
        (
            "api/test_http::test_a_version_the_client_has_is_not_sent_again",
            "api/test_interactions::test_a_version_the_client_has_is_not_sent_again_by_its_number_either",
            "api/test_claims::test_every_interaction_claimed_for_a_type_is_done",
        ),
    ),
    Row(
        "vread",
        "each version by its number; 404 if there is none; the deletion itself is 410",
        (
            "api/test_fhir::test_create_read_update_and_vread_keep_versions",
            "api/test_history::test_an_instances_history_is_newest_first_and_has_its_deletion_without_a_resource",
            "api/test_http::test_what_was_taken_back_is_gone_and_its_versions_remain",
        ),
    ),
    Row(
        "create",
        "201 with Location of the version, ETag and Last-Modified; the identity that was sent is not kept",
        (
            "api/test_fhir::test_create_read_update_and_vread_keep_versions",
            "api/test_interactions::test_the_identity_that_a_created_resource_brings_is_not_kept",
            "api/test_fhir::test_a_resource_under_the_id_of_an_image_that_names_no_entry_is_created_under_a_new_id",
        ),
    ),
    Row(
        "create: refusals",
        "400 if it cannot be parsed, 404 for an unknown type, 422 if rules or a profile are broken",
        (
            "api/test_fhir::test_every_refusal_is_an_operation_outcome",
            "intake/test_refusals::test_no_invalid_instance_is_taken_by_create_update_or_transaction_and_nothing_is_left",
            "exchange/test_conformance::test_a_bad_example_is_refused_for_what_it_says",
        ),
    ),
    Row(
        "create: conditional",
        "none creates, one is given back and nothing written, several are 412; the address takes no condition",
        (
            "api/test_fhir::test_a_conditional_create_makes_one_finds_one_and_refuses_several",
            "api/test_interactions::test_a_conditional_create_that_finds_one_writes_nothing_and_says_where_it_is",
            "api/test_deleting::test_a_condition_in_the_address_of_a_create_is_refused_not_ignored",
            "api/test_claims::test_a_conditional_create_is_done_where_it_is_claimed",
            "api/test_conditions::test_none_one_and_several_are_told_apart_by_any_condition",
            "api/test_conditions::test_a_condition_that_is_not_wholly_applied_is_refused_not_ignored",
        ),
    ),
    Row(
        "update",
        "200, or 201 under the client's id; a changed body is a new version and the same body none",
        (
            "api/test_fhir::test_update_as_create_is_201_and_the_same_again_writes_nothing",
            "api/test_mistakes::test_a_digit_more_is_another_version",
        ),
        later="If-Match is not asked for where it is absent, and clients' ids are allowed: their refusals do not arise.",
    ),
    Row(
        "update: refusals",
        "an id that is missing or not that of the address is 400, a stale If-Match 412",
        (
            "api/test_fhir::test_every_refusal_is_an_operation_outcome",
            "api/test_deleting::test_a_stale_tag_is_412_for_each_write_and_nothing_is_lost",
            "api/test_http::test_no_tag_matches_what_is_not_there",
            "api/test_deleting::test_a_put_that_must_not_replace_anything",
        ),
    ),
    Row(
        "update: conditional",
        "its five cases: none without id, none with id, one with the same or no id, one with another, several",
        (
            "api/test_deleting::test_a_conditional_update_creates_updates_or_refuses",
            "api/test_interactions::test_a_condition_and_a_tag_must_both_hold",
            "api/test_claims::test_a_conditional_update_and_delete_are_done_where_claimed",
            "api/test_conditions::test_none_one_and_several_are_told_apart_by_any_condition",
        ),
    ),
    Row(
        "patch",
        "JSON Patch and FHIRPath Patch; what comes out is checked; a bad one changes nothing",
        (
            "api/test_deleting::test_a_patch_changes_what_it_says_and_nothing_else",
            "api/test_deleting::test_a_patch_that_cannot_be_done_changes_nothing",
            "api/test_deleting::test_no_narrative_tells_of_what_was_before_a_patch",
            "api/test_deleting::test_what_is_not_there_is_not_patched",
            "api/test_claims::test_both_forms_of_patch_are_taken_by_each_type",
            "intake/test_taken_away::test_a_patch_of_an_image_is_a_correction_and_keeps_every_digit",
        ),
    ),
    Row(
        "patch: conditional",
        "none is 404, several are 412",
        (
            "api/test_deleting::test_a_conditional_patch_and_delete_are_for_exactly_one",
            "api/test_conditions::test_none_one_and_several_are_told_apart_by_any_condition",
        ),
    ),
    Row(
        "delete",
        "204, or 200 with an outcome; again is no error; gone from searches, kept in the history, revived by a PUT",
        (
            "api/test_deleting::test_what_is_deleted_is_gone_leaves_searches_and_can_be_revived",
            "api/test_deleting::test_a_patient_still_referred_to_is_409",
            "api/test_published::test_what_is_claimed_of_each_type_is_reading_and_every_write_is_405",
        ),
    ),
    Row(
        "delete: conditional",
        "single, as the statement says: several are 412, none is no error",
        (
            "api/test_deleting::test_a_conditional_patch_and_delete_are_for_exactly_one",
            "api/test_deleting::test_a_write_to_a_whole_type_is_never_meant",
        ),
    ),
    Row(
        "history",
        "of an instance, a type, everything: newest first, deletions without a resource; 404 where nothing ever was",
        (
            "api/test_history::test_an_instances_history_is_newest_first_and_has_its_deletion_without_a_resource",
            "api/test_history::test_the_histories_of_a_type_and_of_everything",
        ),
    ),
    Row(
        "history: chosen",
        "_count, _since and _at on each of the three, in pages that stay as they are",
        (
            "api/test_interactions::test_each_history_is_chosen_by_time_and_paged",
            "api/test_history::test_since_and_at_choose_by_time",
            "api/test_history::test_pages_keep_every_parameter_and_are_stable_under_writes",
            "api/test_history::test_a_wrong_parameter_of_a_history_is_refused",
        ),
    ),
    Row(
        "metadata",
        "200 for each mode of R4, 400 for another; without a token",
        (
            "api/test_interactions::test_the_statement_is_given_in_full_and_where_what_is_normative_is_asked",
            "api/test_interactions::test_what_is_known_of_terminology_is_told_and_true",
            "api/test_interactions::test_what_the_service_does_is_not_sent_again_to_who_has_it",
            "api/test_tokens::test_what_says_what_the_service_is_needs_no_token",
        ),
    ),
    Row(
        "method",
        "one that an address has not is 405 with Allow",
        (
            "api/test_http::test_a_method_an_address_has_not_is_405_and_allow_lists_all_it_has",
            "api/test_interactions::test_an_operation_that_is_none_is_said_to_be_none",
            "api/test_interactions::test_an_address_in_another_encoding_is_refused_not_guessed",
            "api/test_interactions::test_a_type_may_be_written_with_a_slash_behind_it",
        ),
    ),
    Row(
        "cors",
        "preflights allow the methods and headers that clients need; the headers they read are exposed",
        (
            "api/test_negotiation::test_a_preflight_allows_each_method_and_header_a_client_needs",
            "api/test_fhir::test_browsers_of_other_origins_may_ask_and_see_the_headers",
            "api/test_open_door::test_beyond_this_machine_pages_ask_only_from_a_named_origin",
        ),
    ),
    Row(
        "prefer",
        "minimal, representation or OperationOutcome, however the header is written, in Bundles too",
        (
            "api/test_fhir::test_prefer_chooses_what_comes_back",
            "api/test_negotiation::test_a_preference_is_read_however_it_is_written",
            "api/test_transaction::test_a_transaction_gives_its_resources_back_when_they_are_preferred",
            "api/test_batch::test_a_batch_gives_back_what_the_client_prefers",
        ),
    ),
    Row(
        "tags",
        "compared as texts without W/ and quotes",
        (
            "api/test_deleting::test_each_write_takes_the_current_tag_however_it_is_written",
            "api/test_http::test_an_update_takes_the_tag_of_the_current_version_however_it_is_written",
        ),
    ),
    Row(
        "conditions: atomic",
        "parallel writes under one condition make one resource",
        (
            "api/test_http::test_twenty_identical_conditional_creates_make_one",
            "api/test_deleting::test_twenty_parallel_conditional_updates_make_one",
            "api/test_conditions::test_twenty_at_once_under_one_condition_make_one",
            "api/test_conditions::test_two_conditions_that_share_an_identifier_wait_for_each_other",
        ),
    ),
    Row(
        "limits",
        "more requests at once than are taken are 429, a database that does not answer 503, both with Retry-After",
        (
            "api/test_negotiation::test_beyond_the_most_at_once_a_client_is_told_to_come_again",
            "api/test_interactions::test_who_cannot_be_served_now_is_told_when_to_come_again",
        ),
    ),
)

BUNDLES = (
    Row(
        "order",
        "deletes, creates, updates and patches, reads; answers in the order of the entries with all they must say",
        (
            "api/test_batch::test_a_transaction_deletes_creates_updates_and_then_reads",
            "api/test_interactions::test_a_batch_deletes_then_creates_then_changes_then_reads",
            "api/test_transaction::test_answers_come_in_the_order_of_the_entries",
            "api/test_batch::test_conditions_see_what_their_transaction_did_before_them",
        ),
    ),
    Row(
        "all or nothing",
        "a transaction that fails anywhere leaves nothing and is one outcome; entries of a batch fail alone",
        (
            "api/test_transaction::test_one_bad_entry_anywhere_and_nothing_is_written",
            "api/test_batch::test_a_failure_at_any_entry_leaves_the_whole_store_as_it_was",
            "api/test_batch::test_each_entry_of_a_batch_has_its_own_fate",
            "api/test_batch::test_a_bad_entry_of_a_batch_spoils_no_other",
        ),
    ),
    Row(
        "temporary ids",
        "led to what was stored in references, contained, extensions, uri-like values, href and src; nowhere else",
        (
            "api/test_batch::test_a_temporary_id_is_replaced_everywhere_a_link_can_stand",
            "api/test_interactions::test_a_temporary_id_is_replaced_in_uris_and_pictures_and_not_in_identifiers",
            "intake/test_exchanged::test_no_urn_is_left_in_anything_stored",
        ),
    ),
    Row(
        "conditional references",
        "exactly one match, else the whole fails",
        (
            "api/test_transaction::test_a_conditional_reference_finds_what_stands_after_the_transaction",
            "api/test_conditions::test_a_conditional_reference_by_more_than_an_identifier_needs_exactly_one",
        ),
    ),
    Row(
        "conditional creates",
        "references lead to what was found; two under one condition are one",
        (
            "api/test_transaction::test_two_creates_under_one_condition_are_one_and_links_lead_to_it",
            "intake/test_exchanged::test_a_conditional_patient_is_created_once",
            "api/test_conditions::test_conditions_of_a_transaction_see_what_stands_after_the_writes_before_them",
            "intake/test_pending::test_a_person_is_found_before_and_after_she_is_stored",
        ),
    ),
    Row(
        "refused",
        "one fullUrl or one resource twice, an unknown method, no request, a type that is not the address's, too many",
        (
            "api/test_transaction::test_one_bad_entry_anywhere_and_nothing_is_written",
            "api/test_transaction::test_an_entrys_image_sent_twice_in_one_transaction_is_refused",
            "api/test_batch::test_more_entries_than_are_taken_at_once_are_413",
            "api/test_batch::test_a_bundle_that_is_none_of_the_two_is_refused",
            "api/test_batch::test_one_full_url_twice_in_a_batch_is_refused_unless_of_two_versions",
        ),
    ),
    Row(
        "batch: apart",
        "entries that refer to each other are refused",
        (
            "api/test_batch::test_a_bad_entry_of_a_batch_spoils_no_other",
            "api/test_batch::test_no_link_between_entries_of_a_batch_is_stored_as_it_is",
        ),
    ),
    Row(
        "retry",
        "a transaction sent again with its conditions changes nothing",
        (
            "api/test_batch::test_a_retried_transaction_with_conditions_changes_nothing",
            "api/test_conditions::test_a_batch_takes_conditions_too_and_a_retry_changes_nothing",
            "api/test_conditions::test_a_transaction_of_many_conditions_is_one_of_each_and_again_nothing",
        ),
    ),
    Row(
        "size",
        "a thousand entries are one transaction",
        ("api/test_batch::test_a_thousand_entries_are_one_transaction",),
    ),
)

SEARCH = (
    Row(
        "types and prefixes",
        "number, date, string, token, reference, composite, quantity, uri, each with its prefixes and modifiers",
        (
            "api/test_search::test_a_quantity_is_compared_by_its_precision_and_its_unit",
            "api/test_search::test_a_number_of_one_significant_digit_is_the_range_of_the_page",
            "api/test_search::test_strings_tokens_and_references_of_a_patient",
            "api/test_composites::test_a_composite_finds_what_stands_together",
            "api/test_published::test_each_kind_is_found_by_its_own_parameters",
            "intake/test_indexing::test_a_parameter_has_rows_where_its_expression_has_values_and_only_there",
            "intake/test_token_text::test_text_finds_what_a_plain_look_at_all_would",
            "api/test_narrowed::test_a_narrowed_parameter_finds_what_refers_to_its_type_and_nothing_else",
        ),
    ),
    Row(
        "modifiers",
        "one that is not supported is an error",
        (
            "api/test_search::test_a_value_that_cannot_be_meant_is_refused",
            "api/test_lenient::test_what_r4_has_refused_is_refused_even_of_a_lenient_client",
        ),
    ),
    Row(
        "date",
        "both sides are ranges by precision; + may arrive as a blank; without an offset it is UTC",
        (
            "api/test_dates::test_every_row_finds_what_r4_says",
            "api/test_dates::test_every_row_finds_the_same_in_every_zone",
            "api/test_dates::test_the_oracle_says_what_the_page_says",
            "api/test_dates::test_what_is_no_date_is_refused",
        ),
    ),
    Row(
        "token",
        "its four forms, and what is escaped in it",
        (
            "api/test_fhir::test_search_by_id_identifier_and_patient",
            "api/test_fhir::test_an_identifier_is_found_by_its_escaped_value",
            "api/test_conditions::test_an_identifier_of_any_length_is_one",
        ),
    ),
    Row(
        "reference",
        "by id, by type and id, by our own address, by type in the modifier",
        (
            "api/test_search::test_strings_tokens_and_references_of_a_patient",
            "api/test_fhir::test_search_by_id_identifier_and_patient",
        ),
    ),
    Row(
        "combining",
        "a repeat is and, a comma is or",
        ("api/test_search::test_repeats_must_all_hold_and_alternatives_any",),
    ),
    Row(
        "chains",
        "a chain and _has go on to other resources; what leads nowhere is refused",
        (
            "api/test_chains::test_a_chain_and_has_find_what_their_words_say",
            "api/test_chains::test_what_leads_nowhere_is_refused_even_of_a_lenient_client",
        ),
    ),
    Row(
        "order",
        "_sort, on every page, in the order asked for",
        (
            "api/test_sorting::test_every_page_goes_on_in_the_order_asked_for",
            "api/test_sorting::test_an_order_that_is_not_known_is_refused_or_left_out_and_self_says_so",
        ),
    ),
    Row(
        "brought along",
        "_include and _revinclude, iterated, marked and not counted",
        (
            "api/test_including::test_what_is_referred_to_and_what_refers_is_brought_along",
            "api/test_including::test_includes_stand_on_every_page_for_its_own_matches",
        ),
    ),
    Row(
        "parts",
        "_summary and _elements are tagged SUBSETTED and taken back in no way; _count=0 is _summary=count",
        (
            "api/test_negotiation::test_a_part_of_a_resource_is_tagged_and_may_not_be_sent_back",
            "api/test_interactions::test_a_part_of_a_resource_is_written_back_in_no_way",
            "api/test_negotiation::test_a_search_counts_alone_when_asked",
            "api/test_including::test_a_total_is_counted_unless_nobody_wants_it",
        ),
    ),
    Row(
        "self and next",
        "self says what was applied; next keeps every parameter, is absent on the last page, is stable under inserts",
        (
            "api/test_interactions::test_pages_keep_every_parameter_and_the_last_full_page_is_the_last",
            "api/test_fhir::test_pages_are_stable_while_others_write_and_self_is_truthful",
            "api/test_lenient::test_who_asks_for_json_in_the_address_finds_it_in_the_links",
        ),
    ),
    Row(
        "unknown parameters",
        "ignored if lenient, absent from self and named by an outcome on each page; 400 if strict",
        (
            "api/test_lenient::test_each_page_names_each_parameter_that_was_not_applied_and_counts_none",
            "api/test_claims::test_every_search_parameter_claimed_is_applied_and_every_other_of_r4_is_refused_when_strict",
        ),
    ),
    Row(
        "compartments",
        "GET Patient/id/Type is the search of what R4 ties to her; claimed, paged, judged by the scope of the type",
        (
            "api/test_compartments::test_a_compartment_has_what_any_of_its_parameters_ties_to_it",
            "api/test_compartments::test_pages_stay_in_the_compartment_and_bring_along_what_is_asked",
            "api/test_compartments::test_what_is_no_compartment_is_404_and_every_one_that_is_claimed_is_answered",
            "api/test_compartments::test_a_compartment_needs_the_scope_of_what_is_searched",
        ),
    ),
    Row(
        "by form", "POST _search is the same search", ("api/test_including::test_a_search_by_form_is_the_same_search",)
    ),
)

ERRORS = (
    Row(
        "outcome",
        "every error is an OperationOutcome that names the place and repeats nothing of a person, nor of our code",
        (
            "api/test_interactions::test_an_error_names_the_element_or_parameter_that_is_wrong",
            "api/test_fhir::test_every_refusal_is_an_operation_outcome",
            "api/test_negotiation::test_no_refusal_repeats_what_a_person_is_called",
            "api/test_bedside::test_a_failure_nobody_expected_has_an_answer_and_tells_nothing",
        ),
    ),
    Row("table", "each error has one status", ("api/test_fhir::test_every_error_has_a_status",)),
    Row(
        "400",
        "structure, value, invalid; an unknown parameter under strict is not-supported",
        (
            "api/test_fhir::test_every_refusal_is_an_operation_outcome",
            "api/test_http::test_a_wrong_parameter_is_400_and_one_sentence",
            "api/test_search::test_a_value_that_cannot_be_meant_is_refused",
        ),
    ),
    Row(
        "401 and 403",
        "login, expired, forbidden",
        (
            "api/test_tokens::test_a_token_that_proves_nothing_is_refused_in_words_that_carry_none_of_it",
            "api/test_tokens::test_without_a_token_nothing_is_answered",
            "api/test_scopes::test_an_interaction_is_done_exactly_when_a_scope_says_so",
        ),
    ),
    Row(
        "404 and 410",
        "not-found, deleted; an unknown type is not-supported",
        (
            "api/test_deleting::test_what_is_deleted_is_gone_leaves_searches_and_can_be_revived",
            "api/test_fhir::test_every_refusal_is_an_operation_outcome",
        ),
    ),
    Row(
        "409 and 412",
        "conflict, multiple-matches",
        (
            "api/test_deleting::test_a_conditional_update_creates_updates_or_refuses",
            "api/test_deleting::test_a_patient_still_referred_to_is_409",
        ),
    ),
    Row(
        "413",
        "too-long, of a body and of a Bundle",
        (
            "api/test_fhir::test_formats_are_negotiated",
            "api/test_batch::test_more_entries_than_are_taken_at_once_are_413",
        ),
    ),
    Row("405, 406 and 415", "not-supported", ("api/test_fhir::test_formats_are_negotiated",)),
    Row(
        "422",
        "required, invariant, code-invalid, business-rule",
        (
            "intake/test_refusals::test_no_invalid_instance_is_taken_by_create_update_or_transaction_and_nothing_is_left",
            "api/test_fhir::test_computed_and_assembled_resources_are_read_only",
        ),
    ),
    Row(
        "429, 503 and 500",
        "throttled, transient, exception",
        (
            "api/test_negotiation::test_beyond_the_most_at_once_a_client_is_told_to_come_again",
            "api/test_interactions::test_who_cannot_be_served_now_is_told_when_to_come_again",
            "api/test_bedside::test_a_failure_nobody_expected_has_an_answer_and_tells_nothing",
        ),
    ),
)

OPERATIONS = (
    Row(
        "$validate",
        "of a type and an instance, raw or in Parameters; 200 even where it is invalid; nothing to say is said",
        (
            "api/test_validate::test_it_says_what_check_says_of_a_raw_resource_and_of_one_in_parameters",
            "api/test_validate::test_the_stored_resource_is_checked_by_get_and_by_the_mode_profile",
            "api/test_validate::test_a_question_that_cannot_be_answered_is_refused",
            "api/test_validate::test_create_and_update_are_tried_and_nothing_is_kept",
        ),
    ),
    Row(
        "$everything",
        "of a Patient and an Encounter, in pages, each resource once, with Provenances",
        (
            "api/test_everything::test_everything_of_a_woman_is_her_compartment_its_provenances_and_what_these_refer_to",
            "api/test_everything::test_everything_of_an_encounter_is_its_compartment_and_whose_it_is",
            "api/test_everything::test_pages_hold_everything_once_and_stay_stable_while_others_write",
            "api/test_everything::test_start_and_end_ask_for_dates_of_care_and_what_has_none_stays",
            "api/test_everything::test_since_asks_for_what_was_written_from_then_on",
            "api/test_everything::test_type_asks_for_some_types_of_what_belongs_and_of_what_is_brought",
        ),
    ),
    Row(
        "$document",
        "Composition first, all that it refers to once, absolute fullUrls, identifier and timestamp; kept if asked",
        (
            "api/test_document::test_a_document_has_its_composition_first_and_all_that_it_leads_to_once",
            "api/test_document::test_a_document_is_kept_when_that_is_asked_for_and_not_else",
            "api/test_document::test_what_cannot_be_asked_is_refused",
        ),
    ),
    Row(
        "$evaluate-measure",
        "reports for a registry over a period",
        later="There are no registry reports yet; the operation is not claimed and comes with them.",
    ),
)

STATEMENT = (
    Row(
        "what it says",
        "versions, software, address, formats, security, and of each type its interactions, policies and parameters",
        (
            "api/test_claims::test_the_statement_names_what_r4_asks_of_it",
            "api/test_open_door::test_the_statement_says_what_is_asked_of_a_caller_and_only_then",
        ),
    ),
    Row(
        "from one table",
        "routes, OpenAPI and statement are equal sets",
        (
            "api/test_fhir::test_routes_openapi_and_capability_statement_are_equal_sets",
            "api/test_openapi::test_every_route_of_both_tables_is_described_and_nothing_else",
        ),
    ),
    Row(
        "every claim works",
        "interactions, conditions, patches, parameters, includes, operations",
        (
            "api/test_claims::test_every_interaction_claimed_for_a_type_is_done",
            "api/test_claims::test_both_forms_of_patch_are_taken_by_each_type",
            "api/test_claims::test_a_conditional_update_and_delete_are_done_where_claimed",
            "api/test_claims::test_both_kinds_of_bundle_that_are_claimed_are_taken",
            "api/test_fhir::test_every_search_parameter_that_is_claimed_is_applied",
            "api/test_including::test_every_include_that_is_claimed_is_taken",
        ),
    ),
    Row(
        "nothing else answers",
        "what is not claimed never succeeds",
        (
            "api/test_claims::test_what_is_not_claimed_for_a_type_never_succeeds",
            "api/test_claims::test_what_is_not_claimed_for_the_whole_never_succeeds",
            "api/test_claims::test_a_type_that_is_not_claimed_is_404_however_it_is_asked",
        ),
    ),
    Row(
        "instantiates",
        "of bulk export and subscriptions",
        later="Neither is built yet; the statement names no guide that it does not follow.",
    ),
)

MISTAKES = (
    Row(
        "1",
        "digits of a decimal are lost",
        (
            "api/test_mistakes::test_no_digit_is_lost_on_any_way_out",
            "api/test_mistakes::test_a_digit_more_is_another_version",
            "api/test_fhir::test_numbers_and_texts_come_back_digit_by_digit",
            "api/test_bedside::test_digits_come_back_as_they_were_sent",
        ),
    ),
    Row(
        "2",
        "an element that is only a reason for its absence is refused",
        ("api/test_mistakes::test_a_time_that_is_only_a_reason_is_taken_at_every_time_of_every_type",),
    ),
    Row(
        "3",
        "content is replaced in silence",
        (
            "api/test_mistakes::test_an_attachment_is_refused_or_kept_byte_by_byte",
            "intake/test_exchanged::test_a_partners_text_is_stored_as_it_came_but_for_its_identity_and_links",
        ),
    ),
    Row(
        "4",
        "zone, fraction or precision of a time changes",
        (
            "api/test_mistakes::test_a_time_comes_back_as_it_was_written",
            "api/test_mistakes::test_a_time_that_r4_does_not_have_is_refused",
        ),
    ),
    Row(
        "5",
        "nulls and empty lists are given",
        ("api/test_mistakes::test_nothing_stored_carries_a_temporary_id_or_a_null",),
    ),
    Row(
        "6",
        "what a client sent is answered with 500",
        (
            "api/test_mistakes::test_no_body_is_answered_with_500",
            "api/test_mistakes::test_the_character_that_no_database_keeps_is_refused_wherever_it_comes",
            "api/test_mistakes::test_the_same_six_letters_behind_a_backslash_are_a_text",
            "api/test_mistakes::test_the_bedside_refuses_it_too",
            "api/test_mistakes::test_the_longest_letters_are_kept_and_found_on_both_databases",
            "api/test_fuzz_routes::test_no_request_fails_and_one_that_is_refused_or_only_asks_writes_nothing",
            "api/test_fuzz::test_every_operation_of_the_openapi_document_answers_below_500",
        ),
    ),
    Row(
        "7",
        "errors are no OperationOutcome",
        (
            "api/test_fhir::test_every_refusal_is_an_operation_outcome",
            "api/test_http::test_both_sides_say_the_same_sentence_each_in_its_own_shape",
            "api/test_tokens::test_without_a_token_nothing_is_answered",
        ),
    ),
    Row(
        "8",
        "the media type is wrong or has no charset",
        (
            "api/test_negotiation::test_accept_is_weighed",
            "api/test_http::test_a_method_an_address_has_not_is_405_and_allow_lists_all_it_has",
        ),
    ),
    Row(
        "9",
        "tags are strong, bare or not read",
        (
            "api/test_deleting::test_each_write_takes_the_current_tag_however_it_is_written",
            "api/test_http::test_a_version_the_client_has_is_not_sent_again",
        ),
    ),
    Row(
        "10",
        "an update is lost: If-Match is not heard",
        (
            "api/test_deleting::test_a_stale_tag_is_412_for_each_write_and_nothing_is_lost",
            "api/test_interactions::test_a_stale_tag_of_an_entry_is_412_in_either_kind_of_bundle",
            "api/test_mistakes::test_a_stale_version_inside_a_bundle_is_refused_too",
            "api/test_deleting::test_of_twenty_parallel_updates_of_one_version_one_wins",
        ),
    ),
    Row(
        "11",
        "conditional creates race, or are read in the wrong encoding",
        (
            "api/test_mistakes::test_letters_of_any_alphabet_are_found_and_are_conditions",
            "api/test_http::test_twenty_identical_conditional_creates_make_one",
            "api/test_deleting::test_twenty_parallel_conditional_updates_make_one",
        ),
    ),
    Row(
        "12",
        "temporary ids stay in what is stored",
        (
            "api/test_mistakes::test_nothing_stored_carries_a_temporary_id_or_a_null",
            "intake/test_exchanged::test_no_urn_is_left_in_anything_stored",
        ),
    ),
    Row(
        "13",
        "a conditional reference is stored as it is",
        ("api/test_transaction::test_a_conditional_reference_finds_what_stands_after_the_transaction",),
    ),
    Row(
        "14",
        "two conditional creates in one Bundle make two",
        ("api/test_transaction::test_two_creates_under_one_condition_are_one_and_links_lead_to_it",),
    ),
    Row(
        "15",
        "part of a failed transaction stays",
        (
            "api/test_batch::test_a_failure_at_any_entry_leaves_the_whole_store_as_it_was",
            "e2e/test_killed::test_kills_lose_nothing_that_was_acknowledged_and_leave_nothing_half_written",
        ),
    ),
    Row(
        "16",
        "an unknown parameter is ignored in silence",
        (
            "api/test_lenient::test_each_page_names_each_parameter_that_was_not_applied_and_counts_none",
            "api/test_claims::test_every_search_parameter_claimed_is_applied_and_every_other_of_r4_is_refused_when_strict",
        ),
    ),
    Row(
        "17",
        "dates are compared as texts, or in the machine's zone",
        (
            "api/test_dates::test_every_row_finds_what_r4_says",
            "api/test_dates::test_every_row_finds_the_same_in_every_zone",
            "api/test_dates::test_the_table_has_119_rows_and_more_that_tell_each_other_apart",
        ),
    ),
    Row(
        "18",
        "forms and escapes of a token are not read",
        (
            "api/test_fhir::test_search_by_id_identifier_and_patient",
            "api/test_fhir::test_an_identifier_is_found_by_its_escaped_value",
        ),
    ),
    Row(
        "19",
        "pages lose parameters or end in an empty one",
        (
            "api/test_interactions::test_pages_keep_every_parameter_and_the_last_full_page_is_the_last",
            "api/test_fhir::test_pages_are_stable_while_others_write_and_self_is_truthful",
            "api/test_negotiation::test_a_search_counts_alone_when_asked",
        ),
    ),
    Row(
        "20",
        "required codes and invariants are not checked",
        (
            "intake/test_refusals::test_no_invalid_instance_is_taken_by_create_update_or_transaction_and_nothing_is_left",
            "intake/test_refusals::test_every_valid_instance_is_taken_and_served_as_it_came",
        ),
    ),
    Row(
        "21",
        "content of other versions or of vendors is taken for R4",
        (
            "api/test_mistakes::test_content_of_other_versions_is_not_taken_for_r4",
            "api/test_mistakes::test_a_type_of_another_version_is_404",
        ),
    ),
    Row(
        "22",
        "a narrative is not checked",
        (
            "api/test_mistakes::test_a_narrative_that_could_do_something_is_refused",
            "api/test_mistakes::test_a_narrative_for_people_is_kept",
        ),
        later="This service shows no page of a narrative; who adds one escapes it there.",
    ),
    Row("23", "JSON is read laxly", ("api/test_mistakes::test_no_body_is_answered_with_500",)),
    Row(
        "24",
        "tokens are believed: algorithm, audience, times, keys",
        (
            "api/test_tokens::test_a_token_that_proves_nothing_is_refused_in_words_that_carry_none_of_it",
            "api/test_tokens::test_the_token_is_good_until_its_end_by_the_services_clock",
            "api/test_tokens::test_a_spoilt_token_is_refused_unless_it_says_the_same_bytes",
            "api/test_keys::test_a_key_shorter_than_its_standard_asks_is_none",
        ),
        later="Assertions of clients (their jti, used once) go to the issuer; this service issues no tokens.",
    ),
    Row(
        "25",
        "what runs later gets stuck, or leaves out what was deleted",
        later="There are no subscriptions and no export yet; the row comes with them.",
    ),
)

NEXT = (
    Row(
        "gone or never there",
        "410 and 404 are told apart",
        (
            "api/test_deleting::test_what_is_deleted_is_gone_leaves_searches_and_can_be_revived",
            "api/test_http::test_what_was_taken_back_is_gone_and_its_versions_remain",
        ),
    ),
    Row(
        "our own address",
        "absolute references to it are kept relative, others as they are",
        ("intake/test_taken_away::test_references_to_our_own_address_are_kept_relative_and_others_as_they_are",),
    ),
    Row(
        "proxy",
        "every address we give is the one that clients use",
        ("api/test_interactions::test_behind_a_proxy_every_address_is_the_one_that_clients_use",),
    ),
    Row(
        "logs",
        "nothing of a person goes into them",
        ("api/test_bedside::test_a_failure_nobody_expected_has_an_answer_and_tells_nothing",),
    ),
)

SECTIONS = {
    "interactions": INTERACTIONS,
    "bundles": BUNDLES,
    "search": SEARCH,
    "errors": ERRORS,
    "operations": OPERATIONS,
    "statement": STATEMENT,
    "mistakes": MISTAKES,
    "next": NEXT,
}
