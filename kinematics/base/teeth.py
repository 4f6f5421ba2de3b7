"""Teeth by ISO 3950 number: which numbers are teeth, their side, their order along the arch."""

from __future__ import annotations


def is_tooth(number: int) -> bool:
    """Whether a number designates a tooth in ISO 3950, permanent (11-48) or deciduous (51-85)."""
    quadrant, position = divmod(number, 10)
    return (1 <= quadrant <= 4 and 1 <= position <= 8) or (
        5 <= quadrant <= 8 and 1 <= position <= 5
    )


def tooth_side(number: int) -> int:
    """Side of an ISO 3950 tooth: +1 the patient's left, -1 the right."""
    return 1 if number // 10 in {2, 3, 6, 7} else -1


def tooth_rank(tooth: int) -> int:
    """Place of an ISO 3950 tooth from the patient's right (negative) to left, for sorting."""
    quadrant, position = divmod(int(tooth), 10)
    return position if quadrant in (2, 3, 6, 7) else -position


def arch_order(tooth: int, place: int) -> tuple[int, int]:
    """Sorts places from the patient's right to left; between them those without a number (0)."""
    return (tooth_rank(tooth), 0) if tooth else (0, place)
