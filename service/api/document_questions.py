"""Examples of questions on wear, life and springs; every number in them is invented."""

from typing import Any, Final

QUESTIONS: Final[dict[str, dict[str, Any]]] = {
    "post_chart": {
        "kind": "cusum",
        "x": ["21.2", "20.9", "21.1", "21.0", "20.8", "19.9", "19.8", "20.0"],
        "parameters": {"target": "21.0", "sigma": "0.2", "k": "0.1", "h": "1.0"},
    },
    "post_trend": {
        "x": [0, 9_800, 21_500, 30_200, 41_000, 50_400],
        "y": ["21.4", "21.3", "20.9", "20.8", "20.4", "20.3"],
        "limit": "18.0",
    },
    "post_life": {"failures": [118_000, 142_500, 156_300, 171_200, 190_400], "censored": [88_000, 200_000]},
    "post_growth": {"times": [48_000, 120_500, 171_000, 204_000, 231_500], "end": 250_000, "truncation": "time"},
    "post_replacement": {"shape": "3.2", "scale": 165_000, "cost_planned": 420, "cost_failure": "2600"},
    "post_spring": {
        "De": 50,
        "Di": "25.4",
        "t": 3,
        "h0": "1.1",
        "s": "0.825",
        "E": 206_000,
        "nu": "0.3",
        "stack": {"parallel": 2, "series": 10, "w_M": "0.02", "w_R": "0.03"},
    },
}
"""By the operation's id."""
