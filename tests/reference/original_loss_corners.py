"""The posterior of the original size under models of loss at the ends of what is accepted, with mpmath at 30 digits.

Run in this folder: python3 original_loss_corners.py. Over x = ln(lost / left) the density is that of original.py, taken
from its logarithm; it is integrated in pieces whose width follows its largest value.

original_loss_corners.csv  P(original <= size) at sizes about the largest density, and P(share lost > 0.5)
"""
import sys
import mpmath as mp

mp.mp.dps = 30
CASES = [("3.0", "0.5", 30), ("2.7", "0.62", 366)]
NOW = ["0.5", "15", "400"]
BETA = [(a, b) for a in ("0.05", "1", "1000") for b in ("0.05", "1", "1000")]


def ln_density(x, location, scale, df, now, a, b):
    y = mp.exp(x)
    z = (mp.log(now) + mp.log1p(y) - location) / scale
    ln_left = -mp.log1p(y)
    # f(m) h(l) / left dl with m = now (1 + y), dl = lost left dx; f(m) = t(z) / (scale m)
    ln_f = -(df + 1) / 2 * mp.log1p(z * z / df) - mp.log(now) + ln_left
    return ln_f + a * (x + ln_left) + (b - 1) * ln_left


with open("original_loss_corners.csv", "w") as out:
    out.write(f"# ln of a size: location, scale, df; mpmath {mp.__version__}, Python {sys.version.split()[0]}\n")
    out.write("location,scale,df,now,a,b,what,argument,value\n")
    for location, scale, df in CASES:
        for now in NOW:
            for a, b in BETA:
                args = [mp.mpf(v) for v in (location, scale, df, now, a, b)]
                ln = lambda x: ln_density(x, *args)
                grid = [mp.mpf(k) / 8 for k in range(-400, 401)]
                peak = max(grid, key=ln)
                low, high = peak - mp.mpf(1) / 8, peak + mp.mpf(1) / 8
                for _ in range(80):
                    third = (high - low) / 3
                    low, high = (low + third, high) if ln(low + third) < ln(high - third) else (low, high - third)
                peak = (low + high) / 2
                top = ln(peak)
                h = mp.mpf("1e-4")
                width = 1 / mp.sqrt(max(-(ln(peak + h) - 2 * top + ln(peak - h)) / h**2, mp.mpf("1e-3")))
                steps = [mp.mpf(s) * width for s in ("0", "0.7", "1.5", "3", "5", "8", "14", "30", "80", "200", "600", "2000")]
                cuts = sorted({peak + s for s in steps} | {peak - s for s in steps})
                # what lies where the density is below e^-80 of its largest value is left out
                cuts = [c for c in cuts if ln(c) > top - 400] or [peak]

                def integral(lo, hi):
                    inner = [lo] + [c for c in cuts if lo < c < hi] + [hi]
                    return mp.quad(lambda x: mp.exp(ln(x) - top), inner) if lo < hi else mp.mpf(0)

                left, right = cuts[0] - 3 * width, cuts[-1] + 3 * width
                total = integral(left, right)
                name = f"{location},{scale},{df},{now},{a},{b}"
                for s in ("-1.5", "-0.3", "0.4", "1.6"):
                    size = float(mp.mpf(now) * (1 + mp.exp(peak + mp.mpf(s) * width)))
                    x = mp.log((mp.mpf(size) - mp.mpf(now)) / mp.mpf(now))
                    value = integral(left, min(x, right)) / total
                    out.write(f"{name},cdf,{size!r},{mp.nstr(value, 15)}\n")
                out.write(f"{name},lost more than,0.5,{mp.nstr(integral(max(mp.mpf(0), left), right) / total, 15)}\n")
