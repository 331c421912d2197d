"""JSON Schemas of the planning answers that capacity_json.py, preflight_json.py and reclaim_json.py make.

A test compares them.
"""

from watchkeeper.planning.capacity.answer import Fit, Lack
from watchkeeper.planning.host_state import StoreKind
from watchkeeper.planning.preflight.decide import Matter, Verdict
from watchkeeper.web.api.schemas import INSTANT, NUMBER, TEXT, WHOLE, YES_OR_NO, Schema, known, many, maybe, ref, word

FIT = word(*(each.value for each in Fit))
REASONS = many(known(lack=word(*(each.value for each in Lack)), says=TEXT))
STANDS = many(ref("StandsAt"))
BOUNDS: dict[str, Schema] = {"least_bytes": WHOLE, "most_bytes": maybe(WHOLE), "exact": YES_OR_NO}
CANDIDATE: dict[str, Schema] = {"name": TEXT, "of": TEXT, "made_at": INSTANT, "alone": ref("Bounds")}

PLANS: dict[str, Schema] = {
    "Room": known(
        host=TEXT,
        at=INSTANT,
        fit=FIT,
        says=TEXT,
        question=known(
            disk_bytes=WHOLE,
            memory_bytes=WHOLE,
            cpus=WHOLE,
            written_bytes=WHOLE,
            grows_bytes_per_day=NUMBER,
            reserved=YES_OR_NO,
            enlarges=maybe(TEXT),
            store=maybe(TEXT),
            host_disk_bytes=WHOLE,
            host_memory_bytes=WHOLE,
        ),
        stores=many(ref("StoreRoom")),
        memory=ref("MemoryRoom"),
        cpus=ref("CpuRoom"),
        cautions=many(TEXT),
        unseen=many(TEXT),
    ),
    "StoreRoom": known(
        subject=TEXT,
        quantity=TEXT,
        kind=word(*(each.value for each in StoreKind)),
        fit=FIT,
        reasons=REASONS,
        used_bytes=NUMBER,
        capacity_before_bytes=NUMBER,
        capacity_bytes=NUMBER,
        added_now_bytes=NUMBER,
        added_bytes=NUMBER,
        promised_before_bytes=NUMBER,
        promised_bytes=NUMBER,
        outstanding_bytes=NUMBER,
        overcommit_before_share=NUMBER,
        overcommit_share=NUMBER,
        recorded_d=NUMBER,
        growth_bytes_per_day=maybe(NUMBER),
        before=maybe(ref("TimeToFull")),
        after=maybe(ref("TimeToFull")),
        growing=STANDS,
        written=STANDS,
        largest_bytes=maybe(NUMBER),
        largest_kept_bytes=NUMBER,
    ),
    "TimeToFull": known(
        earliest_d=maybe(NUMBER),
        likely_d=maybe(NUMBER),
        latest_d=maybe(NUMBER),
        never_share=NUMBER,
        straight_d=maybe(NUMBER),
    ),
    "StandsAt": known(day=WHOLE, fit=FIT, level_bytes=maybe(NUMBER), high_bytes=maybe(NUMBER), short_bytes=NUMBER),
    "MemoryRoom": known(
        asked=YES_OR_NO,
        fit=FIT,
        reasons=REASONS,
        total_before_bytes=NUMBER,
        total_bytes=NUMBER,
        promised_before_bytes=NUMBER,
        promised_bytes=NUMBER,
        overcommit_before_share=NUMBER,
        overcommit_share=NUMBER,
        own_bytes=NUMBER,
        peak_bytes=NUMBER,
        recorded_d=NUMBER,
        largest_bytes=NUMBER,
        unknown=many(TEXT),
    ),
    "CpuRoom": known(
        asked=YES_OR_NO,
        fit=FIT,
        reasons=REASONS,
        cpus=WHOLE,
        vcpus_before=WHOLE,
        vcpus=WHOLE,
        overcommit_before_share=NUMBER,
        overcommit_share=NUMBER,
        unknown=many(TEXT),
    ),
    "Ready": known(
        host=TEXT,
        subject=TEXT,
        at=INSTANT,
        since=maybe(INSTANT),
        go=YES_OR_NO,
        points=many(
            known(
                matter=word(*(each.value for each in Matter)),
                verdict=word(*(each.value for each in Verdict)),
                about=TEXT,
                reason=TEXT,
                may_pass=YES_OR_NO,
            )
        ),
        unseen=many(TEXT),
    ),
    "Frees": known(
        host=TEXT,
        at=INSTANT,
        stores=many(ref("StoreFreed")),
        sets=many(
            known(
                store=TEXT,
                of=TEXT,
                called=TEXT,
                count=WHOLE,
                cannot_be_deleted=WHOLE,
                oldest_at=INSTANT,
                newest_at=INSTANT,
                together=ref("Freed"),
            )
        ),
        gain={"type": "null"},
        unseen=many(TEXT),
    ),
    "StoreFreed": known(
        store=TEXT,
        quantity=TEXT,
        snapshots=many(known(**CANDIDATE)),
        cannot_be_deleted=many(known(**CANDIDATE, why=TEXT)),
        together=ref("Freed"),
        sum_of_alone=ref("Bounds"),
        full_now={"type": "null"},
        full_then={"type": "null"},
    ),
    "Freed": known(**BOUNDS, why=many(TEXT), set_aside=ref("Bounds")),
    "Bounds": known(**BOUNDS),
}
"""Only the command asks for gain, full_now and full_then."""
