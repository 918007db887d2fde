"""Upper tails of the noncentral t to 40 digits: integration over chi, which shares no step with the crate's
trapezium rule. Run: python3 plan.py > plan_noncentral.csv"""

import sys
import mpmath as mp

mp.mp.dps = 40


def upper(t, v, d):
    t, v, d = mp.mpf(t), mp.mpf(v), mp.mpf(d)
    ln_norm = mp.log(2) - v / 2 * mp.log(2) - mp.loggamma(v / 2)

    # density of chi, and P(Z > t chi / sqrt v - d)
    def f(x):
        return mp.exp(ln_norm + (v - 1) * mp.log(x) - x * x / 2) * mp.erfc((t * x / mp.sqrt(v) - d) / mp.sqrt(2)) / 2

    mode = mp.sqrt(v)
    turn = abs(d) * mp.sqrt(v) / max(abs(t), mp.mpf("0.1"))
    points = sorted({mp.mpf(0), mp.mpf("0.1"), max(mode - 6, mp.mpf("0.2")), mode, mode + 6, mode + 16, turn})
    return mp.quad(f, [p for p in points if p <= mode + 16], maxdegree=10)


print(f"# mpmath {mp.__version__}, Python {sys.version.split()[0]}")
print("t,freedom,noncentrality,upper")
for v in ["1", "1.5", "4", "19", "80", "1000"]:
    for d in ["-2", "0.3", "2.5", "8", "25"]:
        for t in ["-3", "0.7", "2", "9"]:
            print(f"{t},{v},{d},{mp.nstr(upper(t, v, d), 20)}")
