"""Long runs in a process of their own; prints what the test reads. Usage: endurance.py evaluations|builds COUNT."""

import random
import sys
from pathlib import Path

from forward_chaining import basic_tokens, chain, random_edges

from service.reason import Reasoner


def resident_kilobytes() -> int:
    """Memory this process holds now (Linux); the peak of `resource` would start at the parent's."""
    status = Path("/proc/self/status").read_text(encoding="ascii")
    return int(status.split("VmRSS:")[1].split()[0])


def evaluations(count: int) -> None:
    """Uncached evaluations, every answer checked; memory after a tenth of them and at the end."""
    rng = random.Random(20)
    edges = random_edges(rng, rules=40, tokens=60, topics=3)
    reasoner = Reasoner(edges)
    tokens = basic_tokens(edges)
    known = [rng.sample(tokens, rng.randrange(1, 13)) for _ in range(1000)]
    expected = [chain(edges, given) for given in known]
    fired = 0
    start = 0
    for number in range(count):
        if number == count // 10:
            start = resident_kilobytes()
        place = number % len(known)
        answer = reasoner.conclude(known[place], cached=False)
        if answer != expected[place]:
            raise SystemExit(f"evaluation {number}: {answer} is not {expected[place]}")
        fired += len(answer)
    print(resident_kilobytes() - start, fired)


def builds(count: int) -> None:
    """Reasoners built, asked once and dropped; memory after a tenth of them and at the end."""
    edges = random_edges(random.Random(21), rules=40, tokens=60, topics=2)
    tokens = basic_tokens(edges)
    fired = 0
    start = 0
    for number in range(count):
        if number == count // 10:
            start = resident_kilobytes()
        fired += len(Reasoner(edges).conclude(tokens))
    print(resident_kilobytes() - start, fired)


if __name__ == "__main__":
    {"evaluations": evaluations, "builds": builds}[sys.argv[1]](int(sys.argv[2]))
