"""A programme that only rinses and spins, told from a wash, from one that was cancelled, and from one that is not over yet."""

import pytest

from soaktest.vocabulary import Phase
from tests.unit.test_phase_signals import Step, machine, only, right

RINSES: tuple[Step, ...] = (
    ("idle", 300), ("fill", 80), ("rinse", 200), ("drain", 50), ("spin", 200), ("idle", 400),
)  # fmt: skip


@pytest.mark.parametrize("names", [("power",), ("vibration", "inlet", "outlet")])
def test_the_one_tumbling_of_a_rinse_programme_is_a_rinse(names: tuple[str, ...]) -> None:
    assert right(only(machine(RINSES), *names), RINSES, "rinse") > 0.95


@pytest.mark.parametrize(
    "steps",
    [
        pytest.param([("fill", 80), ("wash", 200), ("idle", 40), ("drain", 50), ("spin", 200), ("idle", 400)], id="cancelled: it pauses"),
        pytest.param([("fill", 80), ("wash", 200), ("drain", 60), ("idle", 400)], id="cancelled: it does not spin"),
        pytest.param([("fill", 80), ("wash", 700), ("drain", 50), ("spin", 200), ("idle", 400)], id="too long for a rinse"),
        pytest.param([("fill", 80), ("wash", 120), ("heat", 100), ("wash", 60), ("drain", 50), ("spin", 200), ("idle", 400)], id="it heats"),
        pytest.param([("fill", 80), ("wash", 200), ("drain", 50), ("spin", 200), ("idle", 20)], id="more may come"),
        pytest.param(
            [("fill", 80), ("wash", 200), ("drain", 50), ("spin", 200), ("fill", 80), ("rinse", 120), ("drain", 40), ("spin", 200), ("idle", 400)],
            id="it rinses later",
        ),
    ],
)  # fmt: skip
def test_whatever_else_tumbles_first_is_a_wash(steps: list[tuple[Phase, int]]) -> None:
    cycle: tuple[Step, ...] = (("idle", 300), *steps)
    assert right(only(machine(cycle), "power", "vibration", "inlet", "outlet"), cycle, "wash") > 0.9
