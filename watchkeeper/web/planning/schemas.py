"""JSON Schemas of the planning answers that capacity_json.py, preflight_json.py and reclaim_json.py make.

A test compares them.
"""

from watchkeeper.planning.capacity.answer import Fit, Lack
from watchkeeper.planning.host_state import StoreKind
from watchkeeper.planning.preflight.decide import Verdict
from watchkeeper.planning.preflight.matter import Matter
from watchkeeper.web.api.schemas import INSTANT, NUMBER, TEXT, WHOLE, YES_OR_NO, Schema, known, many, maybe, ref, word

FITS = word(*(each.value for each in Fit))
REASONS = many(known(reason=word(*(each.value for each in Lack)), text=TEXT))
LEVELS = many(ref("LevelAt"))
BOUNDS: dict[str, Schema] = {"min_bytes": WHOLE, "max_bytes": maybe(WHOLE), "exact": YES_OR_NO}
SNAPSHOT: dict[str, Schema] = {"name": TEXT, "source": TEXT, "created_at": INSTANT, "frees_alone": ref("Bounds")}

PLANS: dict[str, Schema] = {
    "Capacity": known(
        host=TEXT,
        at=INSTANT,
        fits=FITS,
        summary=TEXT,
        question=known(
            disk_bytes=WHOLE,
            memory_bytes=WHOLE,
            cpus=WHOLE,
            written_bytes=WHOLE,
            growth_bytes_per_day=NUMBER,
            reserved=YES_OR_NO,
            enlarged_guest=maybe(TEXT),
            store=maybe(TEXT),
            added_host_disk_bytes=WHOLE,
            added_host_memory_bytes=WHOLE,
        ),
        stores=many(ref("StoreCapacity")),
        memory=ref("MemoryCapacity"),
        cpus=ref("CpuCapacity"),
        cautions=many(TEXT),
        not_seen=many(TEXT),
    ),
    "StoreCapacity": known(
        subject=TEXT,
        quantity=TEXT,
        kind=word(*(each.value for each in StoreKind)),
        fits=FITS,
        reasons=REASONS,
        used_bytes=NUMBER,
        capacity_before_bytes=NUMBER,
        capacity_bytes=NUMBER,
        added_now_bytes=NUMBER,
        added_at_most_bytes=NUMBER,
        allocated_before_bytes=NUMBER,
        allocated_bytes=NUMBER,
        allocated_unwritten_bytes=NUMBER,
        allocated_before_share=NUMBER,
        allocated_share=NUMBER,
        history_days=NUMBER,
        growth_bytes_per_day=maybe(NUMBER),
        time_to_full_before=maybe(ref("TimeToFull")),
        time_to_full_after=maybe(ref("TimeToFull")),
        levels_at_current_growth=LEVELS,
        levels_fully_written=LEVELS,
        largest_disk_bytes=maybe(NUMBER),
        largest_covered_disk_bytes=NUMBER,
    ),
    "TimeToFull": known(
        earliest_days=maybe(NUMBER),
        likely_days=maybe(NUMBER),
        latest_days=maybe(NUMBER),
        never_full_share=NUMBER,
        linear_days=maybe(NUMBER),
    ),
    "LevelAt": known(day=WHOLE, fits=FITS, level_bytes=maybe(NUMBER), high_bytes=maybe(NUMBER), shortfall_bytes=NUMBER),
    "MemoryCapacity": known(
        asked=YES_OR_NO,
        fits=FITS,
        reasons=REASONS,
        total_before_bytes=NUMBER,
        total_bytes=NUMBER,
        allocated_before_bytes=NUMBER,
        allocated_bytes=NUMBER,
        allocated_before_share=NUMBER,
        allocated_share=NUMBER,
        host_own_bytes=NUMBER,
        peak_in_use_bytes=NUMBER,
        history_days=NUMBER,
        largest_guest_bytes=NUMBER,
        guests_unknown=many(TEXT),
    ),
    "CpuCapacity": known(
        asked=YES_OR_NO,
        fits=FITS,
        reasons=REASONS,
        cpus=WHOLE,
        vcpus_before=WHOLE,
        vcpus=WHOLE,
        vcpus_per_cpu_before=NUMBER,
        vcpus_per_cpu=NUMBER,
        guests_unknown=many(TEXT),
    ),
    "Preflight": known(
        host=TEXT,
        subject=TEXT,
        at=INSTANT,
        changed_at=maybe(INSTANT),
        go=YES_OR_NO,
        checks=many(
            known(
                name=word(*(each.value for each in Matter)),
                verdict=word(*(each.value for each in Verdict)),
                about=TEXT,
                reason=TEXT,
                may_resolve=YES_OR_NO,
            )
        ),
        not_seen=many(TEXT),
    ),
    "Reclaim": known(
        host=TEXT,
        at=INSTANT,
        stores=many(ref("StoreReclaim")),
        sets=many(
            known(
                store=TEXT,
                source=TEXT,
                name_pattern=TEXT,
                count=WHOLE,
                cannot_be_deleted_count=WHOLE,
                oldest_at=INSTANT,
                newest_at=INSTANT,
                frees=ref("Freed"),
            )
        ),
        gain={"type": "null"},
        not_seen=many(TEXT),
    ),
    "StoreReclaim": known(
        store=TEXT,
        quantity=TEXT,
        snapshots=many(known(**SNAPSHOT)),
        cannot_be_deleted=many(known(**SNAPSHOT, reason=TEXT)),
        frees=ref("Freed"),
        sum_of_frees_alone=ref("Bounds"),
        full_before={"type": "null"},
        full_after={"type": "null"},
    ),
    "Freed": known(**BOUNDS, reasons=many(TEXT), from_reservation=ref("Bounds")),
    "Bounds": known(**BOUNDS),
}
"""Only the command asks for gain, full_before and full_after."""
