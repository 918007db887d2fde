"""Reference numbers for truncated predictives and for the posterior under a model of loss.

Run in this folder: python3 original.py. Everything by numerical integration with mpmath at 25 digits; the
densities are written out here and share no code with the crate. Quantiles solve on the closed tail (incomplete
beta function), which the script checks against the integral.

original_tail.csv      ln P(T > z); df 0 stands for the normal
original_truncated.csv  cdf and quantiles of a size given that it is at least `now`
original_loss.csv       the same with a beta model of the share lost, and P(share lost > 0.5)
"""
import sys
import mpmath as mp

mp.mp.dps = 25


def t_pdf(x, d):
    if d == 0:
        return mp.npdf(x)
    return mp.gamma((d + 1) / mp.mpf(2)) / (mp.sqrt(d * mp.pi) * mp.gamma(d / mp.mpf(2))) * (1 + x * x / d) ** (
        -(d + 1) / mp.mpf(2))


def t_sf(z, d):
    z = mp.mpf(z)
    if d == 0:
        return mp.ncdf(-z)
    d = mp.mpf(d)
    tail = mp.betainc(d / 2, mp.mpf(1) / 2, 0, d / (d + z * z), regularized=True) / 2
    return tail if z > 0 else 1 - tail


def head(f, what):
    f.write(f"# {what}; mpmath {mp.__version__}, Python {sys.version.split()[0]}\n")


with open("original_tail.csv", "w") as f:
    head(f, "ln P(T > z), df 0 is the normal")
    f.write("df,z,ln_sf\n")
    for d in (0, 3, 5.5, 20, 366, 1000, 99999):
        for z in (-3, 0.5, 3, 12, 34, 36, 45, 300):
            if d in (1000, 99999) and z == 300 or d == 99999 and z > 40:
                continue
            f.write(f"{d},{z},{mp.nstr(mp.log(t_sf(z, d)), 20)}\n")

# transform, components (weight, location, scale, df), what remains
CASES = [
    ("ln", [(1, "3.0", "0.5", 30)], ["2", "15", "40", "120", "2000"]),
    ("ln", [(1, "2.7", "0.62", 0)], ["5", "60", "1e4"]),
    ("log10", [(1, "1.1", "0.25", 366)], ["3", "12", "60", "3000"]),
    ("cube-root", [(1, "2.4", "0.5", 12)], ["1", "14", "100", "2500"]),
    ("cube-root", [(1, "0.4", "0.5", 8)], ["0.5", "9"]),
    ("identity", [(1, "12", "4", 9)], ["2", "12", "35"]),
    ("ln", [("0.7", "2.0", "0.4", 40), ("0.3", "3.2", "0.8", 5)], ["1", "20", "400", "1e5"]),
]
G = {"ln": mp.log, "log10": mp.log10, "cube-root": lambda x: mp.cbrt(x), "identity": lambda x: mp.mpf(x)}
INV = {"ln": mp.exp, "log10": lambda v: mp.mpf(10) ** v, "cube-root": lambda v: v ** 3, "identity": lambda v: v}
DG = {"ln": lambda m: 1 / m, "log10": lambda m: 1 / (m * mp.log(10)), "cube-root": lambda m: m ** (-mp.mpf(2) / 3) / 3,
      "identity": lambda m: mp.mpf(1)}


def density(components):
    parts = [(mp.mpf(w), mp.mpf(m), mp.mpf(s), d) for w, m, s, d in components]
    return lambda v: sum(w / s * t_pdf((v - m) / s, mp.mpf(d)) for w, m, s, d in parts)


def above(components, v):
    """Upper tail, by integrating the density in pieces."""
    f = density(components)
    widest = max(mp.mpf(s) for _, _, s, _ in components)
    cuts = [v] + [v + widest * k for k in (0.01, 0.03, 0.1, 0.2, 0.4, 0.8, 1.5, 3, 6, 12, 64, 512, 8192)] + [mp.inf]
    # scaled, because the rule judges its error in absolute terms
    top = f(max(v, mp.mpf(components[0][1])))
    return top * mp.quad(lambda x: f(x) / top, cuts)


def describe(components):
    return " ".join(f"{w}:{m}:{s}:{d}" for w, m, s, d in components)


with open("original_truncated.csv", "w") as f:
    head(f, "components are weight:location:scale:df, df 0 is the normal")
    f.write("transform,components,now,what,argument,value\n")
    for g, components, nows in CASES:
        for now in nows:
            bound = G[g](mp.mpf(now))
            s0 = above(components, bound)
            def row(what, argument, value):
                f.write(f"{g},{describe(components)},{now},{what},{argument},{mp.nstr(value, 18)}\n")
            row("probability", "", s0)
            for factor in ("1.01", "1.4", "3"):
                size = mp.mpf(now) * mp.mpf(factor)
                row("sf", mp.nstr(size, 17), above(components, G[g](mp.mpf(mp.nstr(size, 17)))) / s0)
            widest = max(mp.mpf(s) for _, _, s, _ in components)
            for p in ("0.025", "0.5", "0.975"):
                closed = lambda v: sum(mp.mpf(w) * t_sf((v - mp.mpf(m)) / mp.mpf(sd), d) for w, m, sd, d in components)
                assert abs(closed(bound) / s0 - 1) < mp.mpf("1e-13"), (components, now)
                target = mp.log(closed(bound) * (1 - mp.mpf(p)))
                low, high = bound, bound + widest
                while mp.log(closed(high)) > target:
                    high += high - bound
                for _ in range(70):
                    mid = (low + high) / 2
                    low, high = (mid, high) if mp.log(closed(mid)) > target else (low, mid)
                v = (low + high) / 2
                row("quantile", p, INV[g](v))

with open("original_loss.csv", "w") as f:
    head(f, "posterior under a beta model of the share lost")
    f.write("transform,components,now,a,b,what,argument,value\n")
    for g, components, nows in CASES:
        for now in nows:
            for a, b in (("1", "1"), ("2", "5"), ("0.7", "0.8")):
                n, aa, bb = mp.mpf(now), mp.mpf(a), mp.mpf(b)
                fpdf = density(components)
                # over the odds y = lost / left: original = now (1 + y)
                def integrand(x):
                    y = mp.exp(x)
                    m = n * (1 + y)
                    lost, left = y / (1 + y), 1 / (1 + y)
                    # f(m) h(l) / left  dl,  dl = lost left dx
                    return fpdf(G[g](m)) * DG[g](m) * lost ** aa * left ** (bb - 1)
                cuts = [mp.mpf(k) for k in (-80, -30, -14, -9, -7, -5, -4, -3, -2, -1, 0, 1, 2, 3, 4, 5, 7, 10, 20, 60)]
                top = max(integrand(c) for c in cuts)
                def integral(lo, hi):
                    inner = [lo] + [c for c in cuts if lo < c < hi] + [hi]
                    return mp.quad(lambda x: integrand(x) / top, inner)
                with mp.workdps(18):
                    total = integral(cuts[0], cuts[-1])
                    for factor in ("1.02", "1.5", "4"):
                        x = mp.log(mp.mpf(factor) - 1)
                        value = integral(cuts[0], x) / total
                        f.write(f"{g},{describe(components)},{now},{a},{b},cdf,"
                                f"{mp.nstr(n * mp.mpf(factor), 17)},{mp.nstr(value, 15)}\n")
                    f.write(f"{g},{describe(components)},{now},{a},{b},lost more than,0.5,"
                            f"{mp.nstr(integral(mp.mpf(0), cuts[-1]) / total, 15)}\n")
