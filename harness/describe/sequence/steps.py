"""What a step kind is, and which there are.

A kind is one file. Ours are in harness/run/steps; a package or a board's own file brings more (registry.py). It has:

    KIND = "volts"                             the word that `do` takes
    NEEDS = Needs(power="on", of=ANY)          what must be there before it runs; `check` holds a sequence to it
    class Model(StepModel): ...                its table in the sequence file
    def run(context, model): ...               takes the readings; what it raises ends the run

and where it applies:

    STOPS = True                               a failure of it ends the run where the step does not say `on_fail`
    TELLS = (OhmsTold,)                        what it keeps beside its readings (results/told.py)
    FAILED = "Do not power it."                what is to be done in production with a unit that fails it
    def on_paper(paper, table): ...            what it does to the bench, and what it refuses, without running
    def before(context, model): ...            what it needs of this bench: asked before the first step
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Mapping
from dataclasses import dataclass
from types import ModuleType
from typing import TYPE_CHECKING, Any, Final, Literal, get_args

from wakeboard.harness.describe.registry import BadKind, Registry
from wakeboard.harness.describe.sequence.step_model import StepModel

if TYPE_CHECKING:
    from wakeboard.harness.describe.sequence.paper import Paper

ANY: Final = ("supplies", "rails", "lines", "points", "nets")
"""The tables of a board that a name in `of` may come from, all of them."""
EVERY: Final = {"every supply": "supplies", "every rail": "rails", "every line": "lines", "every point": "points"}
"""The words in `of` that stand for a whole table. "all" stands for those that a kind of step looks at by itself."""


def groups_of(of: Iterable[str], tables: Iterable[str]) -> list[str]:
    """The words of EVERY among the names of a step whose names come from some tables of a board, "all" taken apart."""
    looks_at = [word for word, table in EVERY.items() if table in tables]
    supplies_and_rails = [word for word in looks_at if EVERY[word] in ("supplies", "rails")]
    every = [each for word in of for each in ((supplies_and_rails or looks_at) if word == "all" else [word])]
    return [word for word in dict.fromkeys(every) if word in EVERY]


@dataclass(frozen=True)
class Needs:
    """power: whether a supply must be on, must be off, or neither; of: the tables of the board that names in `of` come
    from; probes: a probe has to reach what `of` names; links: a board with a console; pin_command: one that tells how
    its pins are driven; driven: each line in `of` has a pin that drives it; energises: it switches an output on; ends:
    it switches outputs off; clears: it checks an unpowered supply for a short; accuses: where it fails, a supply that
    is on is to blame; in_time: it looks at how nets come to rest, and not only at where; answers: what it reads is what
    the board's firmware says."""

    power: Literal["on", "off", "either"]
    of: tuple[str, ...] = ANY
    probes: bool = True
    links: bool = False
    pin_command: bool = False
    driven: bool = False
    energises: bool = False
    ends: bool = False
    clears: bool = False
    accuses: bool = False
    in_time: bool = False
    answers: bool = False


@dataclass(frozen=True)
class StepKind:
    """One kind of step, see above. own: the file that brought it, "" for one of ours."""

    name: str
    Model: type[StepModel]
    run: Callable[..., None]
    needs: Needs
    stops: bool
    tells: tuple[type[Any], ...]
    summary: str
    on_paper: Callable[[Paper, Mapping[str, object]], None] | None = None
    before: Callable[..., None] | None = None
    failed: str = ""
    own: str = ""


def _take(module: ModuleType) -> Iterator[tuple[str, StepKind]]:
    if not hasattr(module, "KIND"):
        return
    missing = [name for name in ("NEEDS", "Model", "run") if not hasattr(module, name)]
    if missing:
        raise BadKind(f'the step kind "{module.KIND}" of {module.__name__} has no {" and no ".join(missing)}')
    if not isinstance(module.NEEDS, Needs):
        raise BadKind(f'the step kind "{module.KIND}": NEEDS is {module.NEEDS!r}; it is Needs(power=…)')
    if not (isinstance(module.Model, type) and issubclass(module.Model, StepModel)):
        raise BadKind(f'the step kind "{module.KIND}": Model is no StepModel')
    allowed = get_args(module.Model.model_fields["do"].annotation) or (module.KIND,)
    if module.KIND not in allowed:
        raise BadKind(f'the step kind "{module.KIND}": the Model\'s `do` takes {", ".join(map(repr, allowed))}')
    summary = (module.__doc__ or "").strip().partition("\n")[0]
    ours = module.__name__.startswith("wakeboard.")
    yield (
        module.KIND,
        StepKind(
            name=module.KIND,
            Model=module.Model,
            run=module.run,
            needs=module.NEEDS,
            stops=getattr(module, "STOPS", False),
            tells=tuple(getattr(module, "TELLS", ())),
            summary=summary,
            on_paper=getattr(module, "on_paper", None),
            before=getattr(module, "before", None),
            failed=str(getattr(module, "FAILED", "")),
            own="" if ours else str(getattr(module, "__file__", module.__name__)),
        ),
    )


STEPS: Final = Registry("step kind", "wakeboard.harness.run.steps", _take)


def needs_of(kind: str) -> Needs:
    """What a kind asks for; nothing, for a word that no kind has (an old record's, or the runner's own)."""
    found = step_kinds().get(kind)
    return found.needs if found is not None else Needs("either", ())


def step_kinds() -> Mapping[str, StepKind]:
    """Every step kind by the word that `do` takes."""
    return STEPS.all()
