"""A validator: do long and short frames alternate?

Frames that come in turns of long and short look worse than their rate says. The
correlation of each frame time with the next one is then far below zero.
"""

import capd_validator
import validator_pb2 as pb


def describe():
    return pb.Description(
        name="alternation", version="1", about="long and short frames do not alternate",
        needs=["frames"],
        parameters=[pb.Parameter(name="limit", type=pb.Parameter.TYPE_NUMBER, default="-0.5",
                                 about="correlation of neighbouring frame times below which the pass is doubtful")])


def correlation(x):
    """Autocorrelation at lag 1 (divisor n)."""
    mean = sum(x) / len(x)
    d = [v - mean for v in x]
    square = sum(v * v for v in d)
    return sum(a * b for a, b in zip(d, d[1:])) / square if square else 0.0


def check(evidence, params):
    ms = evidence.frames.ms
    if len(ms) < 100:
        return pb.Finding(outcome=pb.OUTCOME_NOT_CHECKED, reason="%d frames are fewer than the 100 that are needed" % len(ms))
    limit = float(params["limit"])
    r = correlation(ms)
    finding = pb.Finding(outcome=pb.OUTCOME_OK, reason="neighbouring frame times correlate by %.2f (limit %.2f)" % (r, limit))
    finding.numbers["correlation"] = r
    finding.numbers["limit"] = limit
    if r < limit:
        finding.outcome = pb.OUTCOME_DOUBTFUL
        finding.reason = "long and short frames alternate: neighbouring frame times correlate by %.2f (limit %.2f)" % (r, limit)
        finding.advice = "try another frame pacing setting and repeat the pass"
    return finding


if __name__ == "__main__":
    capd_validator.serve(describe, check)
