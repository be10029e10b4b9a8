"""The whole rulebook as pages to browse: one for each rule, with its limits, sources and cases, and lists beside them.

The pages refer to each other by relative addresses and to nothing else, so that the same pages are served by the
service, opened from a folder, or printed.
"""

from __future__ import annotations

import functools
import re
from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import Any

import jinja2
import msgspec
from markupsafe import Markup, escape

from service.model.evaluation import SEVERITIES
from service.model.ruleset import CaseFile, Criterion, Diagnosis, Limit, Ruleset
from service.wire.speech import ENGLISH, Speech

LISTS = ("causes", "criteria", "quantities", "procedures", "cautions", "sources")
"""Lists beside the rules, each a page of that name; in it an entry has its id as anchor."""
STYLE = "style.css"
PLACEHOLDER = re.compile(r"\{([a-z0-9_]+)(?::([a-z]+))?\}")
_TEMPLATES = Path(__file__).parent / "templates"


class TokenWords(msgspec.Struct, frozen=True):
    """A token in words, and the page that tells more of it."""

    text: str
    address: str | None


class LimitWords(msgspec.Struct, frozen=True):
    """A limit in words: its numbers, when it holds, and how it was checked."""

    text: str
    conditions: tuple[str, ...]
    source: str
    locator: str
    checked: str


class RulePages:
    """The pages of one ruleset in one language.

    Parameters:
        ruleset: the rules, in English.
        cases: case files by rule, where the folder they were read from has them.
        speech: the language of the pages.
    """

    def __init__(self, ruleset: Ruleset, cases: Mapping[str, CaseFile] | None = None, speech: Speech = ENGLISH) -> None:
        self.ruleset = speech.ruleset or ruleset
        self.cases = cases or {}
        self.speech = speech
        self._makers: dict[str, list[str]] = {}
        for rule in ruleset.diagnoses.values():
            self._makers.setdefault(rule.conclusion, []).append(rule.id)

    def names(self) -> Iterator[str]:
        """Every page, by its address below the rulebook's own."""
        yield "index.html"
        yield STYLE
        yield from (f"{name}.html" for name in LISTS)
        yield from (f"rules/{rule}.html" for rule in self.ruleset.diagnoses)

    def page(self, name: str) -> str | None:
        """The page of that name; None where there is none."""
        if name == STYLE:
            return (_TEMPLATES / STYLE).read_text(encoding="utf-8")
        if name == "index.html":
            return self._render(name, "", by_severity=self._counts(), topics=self._topics())
        folder, _, rule = name.removesuffix(".html").rpartition("/")
        if not name.endswith(".html"):
            return None
        if folder == "rules" and rule in self.ruleset.diagnoses:
            return self._rule(self.ruleset.diagnoses[rule])
        return self._render(name, "") if not folder and rule in LISTS else None

    def _render(self, template: str, up: str, **given: Any) -> str:
        return (
            _environment()
            .get_template(template)
            .render(
                pages=self,
                ruleset=self.ruleset,
                release=self.ruleset.release,
                say=self.speech.say,
                language=self.speech.code,
                note=self.speech.note,
                severities=tuple(reversed(SEVERITIES)),
                lists=LISTS,
                up=up,
                **given,
            )
        )

    def _rule(self, rule: Diagnosis) -> str:
        file = self.cases.get(rule.id)
        return self._render(
            "rule.html",
            "../",
            rule=rule,
            tokens=[self.token(token) for token in rule.when],
            criteria=[self.ruleset.criteria[name] for name in self._criteria(rule)],
            readers=[other for other in self.ruleset.diagnoses.values() if rule.conclusion in other.when],
            cases=() if file is None else file.case,
        )

    def _counts(self) -> dict[str, int]:
        found = [rule.severity or "conclusion" for rule in self.ruleset.diagnoses.values()]
        return {name: found.count(name) for name in (*reversed(SEVERITIES), "conclusion") if name in found}

    def _topics(self) -> dict[str, list[Diagnosis]]:
        """Rules by topic, the most serious first."""
        ranks: dict[str, int] = {name: rank for rank, name in enumerate(SEVERITIES)}
        topics: dict[str, list[Diagnosis]] = {}
        for rule in sorted(
            self.ruleset.diagnoses.values(), key=lambda rule: (-ranks.get(rule.severity or "", -1), rule.title)
        ):
            topics.setdefault(self.ruleset.topics.get(rule.id, "rules"), []).append(rule)
        return dict(sorted(topics.items()))

    def _criteria(self, rule: Diagnosis) -> list[str]:
        names = dict.fromkeys(token.rpartition(".")[0] for token in rule.when)
        return [name for name in names if name in self.ruleset.criteria]

    # Words ---------------------------------------------------------------------------------------------------------

    def token(self, token: str) -> TokenWords:
        """What a token means, with the page of the criterion or the rule behind it."""
        say = self.speech.say
        if token.startswith("conclusion:"):
            makers = [self.ruleset.diagnoses[name] for name in self._makers.get(token, [])]
            titles = f" {say('or')} ".join(dict.fromkeys(rule.title for rule in makers))
            return TokenWords(f"{say('It follows that')}: {titles}", f"rules/{makers[0].id}.html" if makers else None)
        criterion, _, verdict = token.rpartition(".")
        if criterion in self.ruleset.criteria:
            title = self.ruleset.criteria[criterion].title
            return TokenWords(f"{title}: {say(verdict.replace('_', ' '))}", f"criteria.html#{criterion}")
        observation = self.ruleset.observations.get(token)
        return TokenWords(token if observation is None else observation.meaning, None)

    def limit(self, criterion: Criterion, limit: Limit) -> LimitWords:
        """A limit as a reader says it, such as `at most 20 %`."""
        say, dimension = self.speech.say, self.ruleset.dimensions[self.ruleset.quantities[criterion.quantity].dimension]
        symbol = next(
            (unit.symbol for unit in dimension.unit if limit.unit in (unit.code, *unit.spellings)), limit.unit or ""
        )

        def end(phrase: str, number: float | None, rating: str | None, factor: float) -> list[str]:
            if rating is not None:
                times = "" if factor == 1.0 else f"{factor:g} \N{MULTIPLICATION SIGN} "
                return [f"{say(phrase)} {times}{say('the rated value')} ({rating.replace('_', ' ')})"]
            return [] if number is None else [f"{say(phrase)} {number:g} {say(symbol)}".rstrip()]

        ends = [
            *end("at least", limit.lower, limit.lower_rating, limit.lower_factor),
            *end("at most", limit.upper, limit.upper_rating, limit.upper_factor),
        ]
        conditions = [self.token(token).text for token in limit.when]
        conditions += [f"{say('from')} {limit.from_date}"] if limit.from_date else []
        conditions += [f"{say('until')} {limit.until_date}"] if limit.until_date else []
        return LimitWords(", ".join(ends), tuple(conditions), limit.source, limit.locator, limit.checked)

    def fill(self, text: str) -> Markup:
        """A text with a name in the place of each number that an evaluation would fill in."""
        parts: list[str] = []
        place = 0
        for match in PLACEHOLDER.finditer(text):
            parts += [escape(text[place : match.start()]), self._named(match[1], match[2])]
            place = match.end()
        return Markup("".join([*parts, escape(text[place:])]))  # noqa: S704 (every part is escaped)

    def _named(self, name: str, end: str | None) -> str:
        criterion, quantity = self.ruleset.criteria.get(name), self.ruleset.quantities.get(name)
        if end in ("lower", "upper") and criterion is not None:
            text = f"{self.speech.say('limit')}: {criterion.title}"
        else:
            text = quantity.title if quantity is not None else name
        return Markup("<var>{}</var>").format(text)

    def used_by(self, part: str, name: str) -> list[Diagnosis]:
        """Rules that name a source, caution, cause or procedure, or read a criterion."""
        found = []
        for rule in self.ruleset.diagnoses.values():
            read = self._criteria(rule)
            named = {
                "causes": rule.causes,
                "criteria": read,
                "quantities": [self.ruleset.criteria[criterion].quantity for criterion in read],
                "procedures": rule.next_readings,
                "cautions": rule.cautions,
                "sources": [
                    *rule.sources,
                    *(limit.source for criterion in read for limit in self.ruleset.criteria[criterion].limit),
                ],
            }[part]
            if name in named:
                found.append(rule)
        return found


def write(pages: RulePages, folder: Path) -> int:
    """Write every page below a folder; returns how many there are."""
    count = 0
    for name in pages.names():
        text = pages.page(name)
        assert text is not None
        path = folder / name
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_text(text, encoding="utf-8")
        count += 1
    return count


@functools.cache
def _environment() -> jinja2.Environment:
    environment = jinja2.Environment(
        loader=jinja2.FileSystemLoader(_TEMPLATES),
        autoescape=True,
        undefined=jinja2.StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    environment.filters["spaced"] = lambda text: str(text).replace("_", " ")
    return environment
