"""How far the readings of one context bear out each cause: a naive Bayes comparison with weights from the rules.

A comparison has up to three outcomes: above, within, below. Without any cause that speaks of it, each end that its
limits have is passed with the probability `beyond_without` (`seldom_beyond_without` where only a mistake passes it);
the rest lies within. A cause multiplies the odds of the
outcomes it expects by the factor of its strength, and divides those of the outcomes that speak against it:

    P(outcome | cause) = P(outcome) f(outcome) / sum over outcomes of P f

A verdict counts by the probabilities of its outcomes, so that an undecided one counts for what it is worth; what was
not measured counts for nothing. A yes-or-no token counts only where it holds: nobody may have looked for it.

A rule that fired and names a cause says that the cause may bring about what the rule rests on: of the comparisons
behind it that lie beyond a limit, those that the cause does not speak of count for it with the factor `named`, and
never against it.

Comparisons that restate one measured number are not independent. Of each such group the strongest for the cause and
the strongest against it count, once each; groups are multiplied.

Belief is the prior weight of a cause times these ratios, as a share of all candidates and of what is not listed, for
which every ratio is 1.
"""

import math
from collections.abc import Collection, Iterable, Mapping, Sequence

import msgspec

from service.model.evaluation import Verdict
from service.model.ruleset import Cause, Criterion, Ruleset

OUTCOMES = ("above", "within", "below")
Shares = tuple[float, float, float]


class Mention(msgspec.Struct, frozen=True):
    """What one cause says of one criterion: the factor of each outcome's probability, against no cause."""

    criterion: str
    group: str
    ratios: Shares


class Sign(msgspec.Struct, frozen=True):
    """A token that a cause speaks of and that only counts where it holds, with its log ratio."""

    token: str
    group: str
    log_ratio: float


class Profile(msgspec.Struct, frozen=True):
    """Everything one cause predicts, made ready."""

    prior: float
    mentions: tuple[Mention, ...]
    signs: tuple[Sign, ...]


class Known:
    """What one context established: tokens that hold, and the probability of each outcome of judged criteria."""

    def __init__(self, verdicts: Iterable[Verdict], held: Collection[str]) -> None:
        self.held = held
        self._verdicts: dict[str, list[Verdict]] = {}
        for verdict in verdicts:
            self._verdicts.setdefault(verdict.criterion, []).append(verdict)
        self._outcomes: dict[str, Shares | None] = {}

    def outcomes(self, criterion: str) -> Shares | None:
        """Probabilities of above, within and below; None where the readings tell nothing of them.

        Of several verdicts on one criterion (rooms, duct runs) the farthest on either side counts.
        """
        if criterion not in self._outcomes:
            told = [shares for verdict in self._verdicts.get(criterion, ()) if (shares := _shares(verdict)) is not None]
            if len(told) > 1:
                above, below = max(shares[0] for shares in told), max(shares[2] for shares in told)
                whole = max(1.0, above + below)
                told = [(above / whole, max(0.0, 1.0 - above - below), below / whole)]
            self._outcomes[criterion] = told[0] if told else None
        return self._outcomes[criterion]


class Beliefs:
    """The causes of one ruleset, made ready to be weighed."""

    def __init__(self, ruleset: Ruleset) -> None:
        evidence = ruleset.evidence
        self.not_listed = evidence.not_listed.value
        seldom = evidence.seldom_beyond_without.value
        self.without = {
            name: _without(criterion, seldom if name in evidence.seldom else evidence.beyond_without.value)
            for name, criterion in ruleset.criteria.items()
        }
        self._named = {
            f"{name}.{outcome}": Mention(name, "", _ratios(shares, {outcome: evidence.named.value}))
            for name, shares in self.without.items()
            for outcome in ("above", "below")
        }
        restated = {name: group for group, names in evidence.restatements.items() for name in names}
        by_quantity = {
            criterion.quantity: restated[name] for name, criterion in ruleset.criteria.items() if name in restated
        }
        self.groups = {
            name: restated.get(name) or by_quantity.get(criterion.quantity, criterion.quantity)
            for name, criterion in ruleset.criteria.items()
        }
        self.profiles = {name: self._profile(cause, ruleset) for name, cause in ruleset.causes.items()}
        self.ratios = {
            name: {mention.criterion: mention.ratios for mention in profile.mentions}
            for name, profile in self.profiles.items()
        }
        self.contrary = {
            name: tuple(
                {
                    f"{mention.criterion}.{outcome}": ratio
                    for outcome, ratio in zip(OUTCOMES, mention.ratios, strict=True)
                }
                for mention in profile.mentions
            )
            for name, profile in self.profiles.items()
        }
        self._words = sorted(((weight.value, word) for word, weight in evidence.words.items()), reverse=True)

    def _profile(self, cause: Cause, ruleset: Ruleset) -> Profile:
        evidence = ruleset.evidence
        factors: dict[str, dict[str, float]] = {}
        signs: list[Sign] = []
        for tokens, power in ((cause.expects, 1.0), (cause.against, -1.0)):
            for token in tokens:
                factor = evidence.strengths[cause.strength.get(token, "usually")].value ** power
                criterion, _, outcome = token.rpartition(".")
                if criterion in ruleset.criteria and outcome in OUTCOMES:
                    factors.setdefault(criterion, {})[outcome] = factor
                else:
                    family = token.partition(".")[0]
                    seen = evidence.seen_without.get(family, evidence.seen_without["other"]).value
                    if outcome == "implausible":
                        seen = evidence.seldom_beyond_without.value
                    group = self.groups.get(criterion, token)
                    signs.append(Sign(token, group, math.log(factor / (seen * factor + 1.0 - seen))))
        mentions = [
            Mention(criterion, self.groups[criterion], _ratios(self.without[criterion], named))
            for criterion, named in factors.items()
        ]
        return Profile(evidence.priors[cause.prior].value, tuple(mentions), tuple(signs))

    def log_ratio(self, cause: str, known: Known, named: Collection[str] = ()) -> float:
        """Natural logarithm of how much likelier the readings are with the cause than with none that is listed.

        `named`: tokens behind the rules that fired and name the cause.
        """
        profile = self.profiles[cause]
        strongest: dict[str, list[float]] = {}

        def count(group: str, log_ratio: float) -> None:
            ends = strongest.setdefault(group, [0.0, 0.0])
            ends[0], ends[1] = max(ends[0], log_ratio), min(ends[1], log_ratio)

        for mention in profile.mentions:
            shares = known.outcomes(mention.criterion)
            if shares is not None:
                log_ratio = _log_ratio(shares, self.without[mention.criterion], mention.ratios)
                if log_ratio:
                    count(mention.group, log_ratio)
        spoken = self.ratios[cause]
        for token in named:
            beyond = self._named.get(token)
            if beyond is None or beyond.criterion in spoken:
                continue
            shares = known.outcomes(beyond.criterion)
            if shares is not None:
                log_ratio = _log_ratio(shares, self.without[beyond.criterion], beyond.ratios)
                if log_ratio > 0.0:
                    count(self.groups[beyond.criterion], log_ratio)
        for sign in profile.signs:
            if sign.token in known.held:
                count(sign.group, sign.log_ratio)
        return math.fsum(end for ends in strongest.values() for end in ends)

    def shares(self, log_ratios: Mapping[str, float]) -> dict[str, float]:
        """Belief in each candidate; what is missing to 1 is left to causes that are not listed."""
        highest = max((0.0, *log_ratios.values()))
        weights = {
            cause: self.profiles[cause].prior * math.exp(log_ratio - highest) for cause, log_ratio in log_ratios.items()
        }
        whole = math.fsum((*weights.values(), self.not_listed * math.exp(-highest)))
        return {cause: weight / whole for cause, weight in weights.items()}

    def word(self, belief: float) -> str:
        """The rules' word for a belief."""
        return next(word for least, word in self._words if belief >= least)


class Hypothesis(msgspec.Struct, frozen=True):
    """One possible truth as a reading may tell it from others: its probability, what a bit about it is worth, and
    the factors of the outcomes that it speaks of (`Beliefs.ratios`)."""

    belief: float
    worth: float
    ratios: Mapping[str, Shares]


MOST_COMPARISONS = 3


def information(hypotheses: Sequence[Hypothesis], criteria: Collection[str], beliefs: Beliefs) -> float:
    """Expected information of a reading about the hypotheses, bits times worth.

    The sum over hypotheses of belief, worth and relative entropy between the outcomes it predicts and those expected
    on the whole; with worths of 1 the mutual information. Comparisons that restate one number count once: the most
    telling of each group, and of the groups the three most telling together, as independent given the cause.

    `criteria`: those whose outcome the reading would tell. The beliefs of the hypotheses sum to 1.
    """
    touched = {name for entry in hypotheses for name in entry.ratios if name in criteria}
    if not touched:
        return 0.0
    best: dict[str, tuple[float, str]] = {}
    for name in sorted(touched):
        alone = _joint(hypotheses, (name,), beliefs)
        group = beliefs.groups[name]
        if group not in best or alone > best[group][0]:
            best[group] = (alone, name)
    if len(best) == 1:
        ((alone, _),) = best.values()
        return alone
    chosen = sorted(best.values(), key=lambda entry: (-entry[0], entry[1]))[:MOST_COMPARISONS]
    return _joint(hypotheses, [name for _, name in chosen], beliefs)


def _joint(hypotheses: Sequence[Hypothesis], criteria: Sequence[str], beliefs: Beliefs) -> float:
    """Worth times mutual information of the hypotheses and the joint outcome of the criteria."""
    alike = (1.0, 1.0, 1.0)
    silent, silent_worth = 0.0, 0.0
    spoken: list[tuple[float, float, list[float]]] = []
    without = [1.0]
    for name in criteria:
        without = [weight * share for weight in without for share in beliefs.without[name]]
    for entry in hypotheses:
        if not any(name in entry.ratios for name in criteria):
            silent += entry.belief
            silent_worth += entry.belief * entry.worth
            continue
        ratios = [1.0]
        for name in criteria:
            ratios = [ratio * factor for ratio in ratios for factor in entry.ratios.get(name, alike)]
        spoken.append((entry.belief, entry.belief * entry.worth, ratios))
    total = 0.0
    for place, share in enumerate(without):
        if share == 0.0:
            continue
        mean = silent + sum(belief * ratios[place] for belief, _, ratios in spoken)
        if mean <= 0.0:
            continue
        told = -silent_worth * math.log2(mean)
        for _, worth, ratios in spoken:
            ratio = ratios[place]
            if ratio > 0.0:
                told += worth * ratio * math.log2(ratio / mean)
        total += share * told
    return max(0.0, total)


def _without(criterion: Criterion, beyond: float) -> Shares:
    """Outcomes where no cause speaks of the criterion."""
    above = beyond * any(limit.upper is not None or limit.upper_rating is not None for limit in criterion.limit)
    below = beyond * any(limit.lower is not None or limit.lower_rating is not None for limit in criterion.limit)
    return above, 1.0 - above - below, below


def _ratios(without: Shares, factors: Mapping[str, float]) -> Shares:
    named = [factors.get(outcome, 1.0) for outcome in OUTCOMES]
    whole = math.fsum(share * factor for share, factor in zip(without, named, strict=True))
    above, within, below = (factor / whole for factor in named)
    return above, within, below


def _shares(verdict: Verdict) -> Shares | None:
    """Probabilities of above, within and below; None where the verdict tells nothing of them."""
    word, above, below = verdict.verdict, verdict.probability_above, verdict.probability_below
    if word in ("not_measured", "implausible"):
        return None
    if above is None and below is None:
        if word == "undecided":
            return None
        return float(word == "above"), float(word == "within"), float(word == "below")
    high, low = above or 0.0, below or 0.0
    return high, max(0.0, 1.0 - high - low), low


def _log_ratio(shares: Shares, without: Shares, ratios: Shares) -> float:
    expected = math.fsum(p * w for p, w in zip(shares, without, strict=True))
    if expected <= 0.0:
        return 0.0
    return math.log(math.fsum(p * w * r for p, w, r in zip(shares, without, ratios, strict=True)) / expected)
