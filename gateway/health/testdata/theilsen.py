# Writes theilsen.json: what SciPy 1.10.1 makes of made-up days.
import json, random, sys, warnings
from scipy import stats
import scipy
random.seed(7)
cases = []
for n, step, noise in [(18, 0.25, 0.7), (28, 0.25, 0.7), (21, 1.0, 2.0), (12, 0, 0.5), (28, 0, 0.1), (5, 0.5, 3)]:
    x, d = [], 20000
    for _ in range(n):
        x.append(d)
        d += random.choice([1, 1, 1, 2, 5])
    y = [10 - random.choice([0, 1, 1/7])*(i - x[0])*0.143 + random.gauss(0, noise) for i in x]
    if step:
        y = [round(v/step)*step for v in y]
    t = stats.theilslopes(y, x, 0.95)
    k = stats.kendalltau(x, y, method="asymptotic")
    cases.append({"days": x, "values": y, "slope": t[0], "intercept": t[1], "low": t[2], "high": t[3], "kendall_p": k.pvalue})
json.dump({"made_by": "python3 testdata/theilsen.py, SciPy " + scipy.__version__ + ": stats.theilslopes (alpha 0.95), stats.kendalltau (method asymptotic)", "cases": cases}, sys.stdout, indent=1)
