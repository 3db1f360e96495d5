"""The closed lists of codes: what a problem's `code` can be, and that of each of its `errors`, in a sentence."""

from typing import Any, Final

from service.api.problems import STATUS

PROBLEMS: Final = {
    "address_not_allowed": "The webhook's address may not be called: it is not publicly routable and no allowed "
    "network holds it, or it is one that never is.",
    "baseline_ahead": "A baseline says what was done before the ledger began, and this one lies after it.",
    "batch_too_long": "The batch has more events than one call may.",
    "body_too_large": "The body is larger than this address takes.",
    "calibration_due_too_early": "A calibration is due on its own day at the earliest.",
    "changed_meanwhile": "What If-Match names is not what is there now: read it again.",
    "check_not_applicable": "The sheet says that this check does not apply to the spindle type.",
    "condition_unknown": "No such condition is open on this spindle.",
    "content_type_unknown": "The body's content type is not one that this address takes, or it is not in UTF-8.",
    "cursor_malformed": "The cursor is not one that this list, asked this way, gave out.",
    "database_away": "The database does not answer; nothing was promised, so send the same again after Retry-After.",
    "delivery_unknown": "This notice was never put for this endpoint.",
    "description_malformed": "The description is too long or holds a NUL.",
    "endpoint_unknown": "There is no such webhook endpoint, or it is not this key's to see.",
    "evaluation_invalid": "The question cannot be answered; each fault names its place.",
    "event_invalid": "JSON, but not what is taken here; each fault names its place.",
    "gauge_kind_changed": "A gauge keeps its kind; another kind is another gauge.",
    "gauge_not_found": "There is no gauge of this key.",
    "gauge_not_registered": "The first thing on record about a gauge is its registration.",
    "nothing_left": "Nothing would be left of what the rest is judged by.",
    "if_match_missing": "A change says by If-Match what it was decided on.",
    "history_contradicted": "A correction would leave a later entry without sense: correct that one first.",
    "identity_conflict": "The same source and id (for a counter reading: source, spindle and time) stand in the ledger "
    "with other content.",
    "internal": "The service failed; its log says more. An event may be sent again.",
    "json_malformed": "Not JSON that can be read: broken, not UTF-8, nested too deeply, or with a NUL in it.",
    "key_malformed": "The new key's name, plants or expiry cannot be taken.",
    "key_missing": "The request carries no key that holds.",
    "key_not_found": "There is no such key, or it reaches further than the key that asks.",
    "key_reaches_too_far": "A key mints only keys that reach no further than itself.",
    "line_too_long": "A line is longer than a line may be.",
    "lot_not_found": "There is no lot of this code.",
    "lot_not_received": "The first thing on record about a lot is its receipt.",
    "lot_sheet_changed": "All kits of a lot are for one sheet.",
    "method_not_allowed": "The method is not for this address; the Allow header lists those that are.",
    "not_found": "There is nothing at this address.",
    "old_end_contradicts": "The old counter's last value does not fit what that counter was last read at.",
    "notice_not_found": "There is no notice of this id, or it is about a plant that the key does not reach.",
    "notice_type_unknown": "An endpoint asks for a type that no notice has, or for none at all.",
    "certificate_unusable": "No TLS connection can be made with the certificate, its key or the authority.",
    "too_many_secrets": "So many secrets sign for the endpoint already that one has to run out first.",
    "plant_outside_key": "The endpoint is to be told of a plant that the key does not reach.",
    "place_ambiguous": "The name is a place in more than one plant that this key reaches.",
    "place_taken": "Another spindle is installed in that place.",
    "plant_not_allowed": "The key is bound to other plants.",
    "query_parameter_unknown": "A query parameter that this address does not know.",
    "recheck_unknown": "No such recheck is running on the spindle, or it cannot be put off until then.",
    "request_invalid": "A parameter, or a member of the body, has a value that is not taken.",
    "scope_missing": "The key holds, but not for this.",
    "scope_unknown": "A key asks for a scope that there is not, or for none at all.",
    "secret_malformed": "A webhook secret is `whsec_` and the base64 of 24 to 64 bytes.",
    "sequence_moved_on": "The subject's stream is not where `expectedsequence` says.",
    "time_to_come": "What has not happened yet cannot be looked back on.",
    "target_is_itself": "An entry cannot correct itself.",
    "target_not_correctable": "A void is not corrected; it is voided, or it stands.",
    "target_of_other_subject": "A correction belongs to the stream of what it corrects.",
    "target_unknown": "What is to be corrected is not in the ledger.",
    "sheet_incomplete": "The sheet lacks what the judgement needs; the fault names the member.",
    "sheet_not_found": "There is no sheet of this code.",
    "sheet_revision_exists": "A revision number is used once: a changed sheet is a new revision.",
    "sheet_unknown": "The setting sheet has never been issued.",
    "spindle_already_commissioned": "A spindle is commissioned once.",
    "spindle_needed": "The question is answered for one spindle at a time, and says which.",
    "spindle_not_found": "There is no spindle of this key, or it is in a plant that the key does not reach.",
    "spindle_not_installed": "The spindle is not in a machine, so this cannot have happened to it.",
    "spindle_retired": "The spindle is retired: nothing more happens to it.",
    "spindle_still_installed": "The spindle has not been removed from the machine it is in.",
    "spindle_unknown": "The spindle has not been commissioned, or nothing was in that place then.",
    "study_incomplete": "A study lacks a cell, has one twice, or has too few parts, people or trials.",
    "subject_unknown": "Nothing is known of the subject yet; it begins with another type of event.",
    "time_in_future": "The time lies more than five minutes ahead of the service's clock.",
    "time_invalid": "A time is RFC 3339 with its offset, exists, and is not before 1970.",
    "type_unknown": "There is no such type of event.",
    "unit_of_other_kind": "A quantity is of another kind than is wanted there (a force where a length is).",
    "concession_not_for_check": "Leave is taken for a setting only.",
    "until_passed": "What is put off or granted would end before it begins.",
    "url_has_credentials": "A webhook's URL carries no user and no password.",
    "url_malformed": "Not an absolute http or https URL that could be posted to.",
}  # fmt: skip
"""What a problem document's `code` can be."""

PLACES: Final = {
    "accept_with_empty": "At least one check accepts a rebuild.",
    "adjustment_unclear": "An adjustment is either a turn with its direction, or shims.",
    "approved_by_the_actor": "Who approves is someone other than the actor.",
    "count_beyond_modulus": "A counter starts below its modulus.",
    "coverage_factor_not_positive": "A coverage factor k is above zero.",
    "datacontenttype_unknown": "Data is application/json.",
    "direction_missing": "A turn says which way: in or out.",
    "confidence_out_of_range": "A confidence lies between 0 and 1.",
    "edition_unknown": "The band that this edition of the rule keeps is not known.",
    "ratio_missing": "A ratio rule states its ratio, above zero.",
    "guard_factor_missing": "A guarded rule states its guard_factor.",
    "guard_factor_negative": "A guard_factor is zero or more.",
    "limits_reversed": "A lower limit is above the upper, or a warning below the minimum.",
    "member_invalid": "The member has another type than is wanted, or lies outside its bounds.",
    "member_missing": "The member is needed.",
    "member_unknown": "The member is not one that there is here.",
    "person_unclear": "A person's member is spelled with escapes or stands twice in one object.",
    "pitch_not_a_length": "A pitch is a length above zero.",
    "recheck_code_twice": "Each recheck of a sheet has a code of its own.",
    "recheck_window_too_early": "An early window goes with its limit and is at most that.",
    "recheck_without_limit": "A recheck states cycles, days or both.",
    "step_not_a_length": "A shim's step is a length above zero.",
    "subject_invalid": "A subject is a kind and a key, such as spindles/H2-M04-S1.",
    "subject_of_other_kind": "The type of event belongs to another kind of subject.",
    "turn_not_an_angle": "A turn is an angle of zero or more.",
    "unit_unknown": "The unit is no UCUM code of the closed list; the detail names the one to use.",
    "until_missing": "State until when, or until which count.",
    "value_negative": "The value is zero or more.",
    "value_not_decimal": "A value is a plain decimal, at most 15 digits on either side of the point.",
    "zeroing_unclear": "Zeroing is either included in the repeatability, or by a stated master.",
}  # fmt: skip
"""What the `code` of one of the `errors` can be, besides those of the whole problem."""

NOTICES: Final = {
    "recheck.opened": "The window of a recheck has opened: the check counts from now on.",
    "recheck.due": "A recheck is due.",
    "recheck.overdue": "A recheck's grace is used up.",
    "recheck.satisfied": "The check was made.",
    "recheck.superseded": "A rebuild or an adjustment has ended a recheck that had opened.",
    "setting.rejected": "A setting was measured outside the sheet's limits.",
    "draw_force.low": "A draw force is below its warning or its minimum.",
    "draw_force.stepped": "Kept for later: not announced yet.",
    "spindle.health_changed": "A spindle's health is another than was told last, with every reason for it.",
    "gauge.suspect": "What a gauge has judged is in doubt.",
    "lot.suspect": "What a lot has fitted is in doubt.",
    "counter.backward": "A counter was not believed, whichever way it went: the `code` in its data is "
    "`counter_backward` where it had fallen, and `counter_implausible` where it had risen further than its "
    "`max_per_second` allows, or to its modulus. It is not counted until a replaced counter or a correction explains "
    "it.",
    "counter.silent": "A counter that was read has not been for some days.",
    "work_order.changed": "Kept for later: not announced yet.",
    "endpoint.failing": "Nothing sent to an endpoint succeeds any more; told to the others, once a run of failures.",
    "endpoint.disabled": "An endpoint is sent nothing more: it answered so, nothing has succeeded for days, or it is "
    "paused; told to the others.",
    "endpoint.ping": "A ping that was asked for.",
}
"""What a notice's `type` can be."""

STATUS_OF: Final = STATUS | {
    "request_invalid": 400,
    "not_found": 404,
    "method_not_allowed": 405,
    "body_too_large": 413,
    "internal": 500,
    "database_away": 503,
}
"""The status of each code; 422 where it is not here."""

MEANING: Final = {
    400: "The request cannot be read.",
    401: "No key, or none that holds.",
    403: "The key does not allow this.",
    404: "There is no such thing for this key.",
    409: "What is recorded says otherwise.",
    412: "It is no longer what If-Match names.",
    413: "Too much at once.",
    415: "The content type is not taken here.",
    422: "Read, and refused; nothing of it is kept.",
    428: "If-Match is needed.",
    500: "The service failed.",
    503: "The database is away.",
}


def told(codes: dict[str, str]) -> list[dict[str, Any]]:
    """A closed list of words, each with its sentence, as JSON Schema writes it (annotated constants)."""
    return [{"const": code, "description": codes[code]} for code in sorted(codes)]
