"""Combs read from photos, genotypes worked out from pedigrees: what other programs may rely on.

Three functions, each of one line, and the values that they return:

>>> import combwright
>>> combwright.cross("R/r+ P/p+", "r+/r+ p+/p+").combs["walnut"]
Fraction(1, 4)
>>> flock = '''bird,sire,dam,sex,comb
... C,,,cock,walnut
... H,,,hen,single
... 1,C,H,,single'''
>>> f"{combwright.infer(flock)['C'].genotypes['R/r+ P/p+']:.2f}"
'0.90'
>>> combwright.read("demo_images/17.jpg").proposal  # doctest: +SKIP
'single'

Everything else in this repository may change from one version to the next. `read` loads the shipped
reader once (some seconds, PyTorch); the others need none.
"""

from __future__ import annotations

from combwright.public import Bird, Candidate, Cross, Reading, cross, infer, read

__all__ = ["Bird", "Candidate", "Cross", "Reading", "cross", "infer", "read"]
