"""Distribution functions to 25 digits, for src/special/tests.rs: writes tests/reference/special.json.

Run from the project root:  python3 tests/reference/special.py      (some minutes)

Arguments are doubles; values are strings of 25 digits. The sums below are convergent series of positive terms,
carried with at least 45 digits and as many more as the tail loses by subtraction. The crate uses such series
near the centre and in power tails, but expansions and continued fractions in between, where these are summed
by brute force. A sample is held against integration of the density, which shares nothing with either. Infinite
degrees of freedom are written "inf".
"""

import json

import mpmath
from mpmath import mp, mpf
import scipy
import scipy.special
import scipy.stats

DIGITS = 25


def text(v):
    return mpmath.nstr(v, DIGITS, strip_zeros=False)


def number(v):
    return "inf" if v == float("inf") else v


def series(term, ratio):
    """Sum of term, term*ratio(0), term*ratio(0)*ratio(1), ..."""
    total, n = term, 0
    floor = mpf(10) ** (-mp.dps - 2)
    while True:
        r = ratio(n)
        term *= r
        total += term
        n += 1
        if r < 1 and term < total * floor * (1 - r):
            return total


# ---- normal ----
def normal_sf(x):
    return mpmath.erfc(x / mpmath.sqrt(2)) / 2


def normal_pdf(x):
    return mpmath.npdf(x)


# ---- Student ----
def student_pdf(t, df):
    return mpmath.exp(student_ln_pdf(t, df))


def student_ln_pdf(t, df):
    t = mpf(t)
    if df == float("inf"):
        return -t * t / 2 - mpmath.log(2 * mpmath.pi) / 2
    v = mpf(df)
    return (mpmath.loggamma((v + 1) / 2) - mpmath.loggamma(v / 2) - mpmath.log(v * mpmath.pi) / 2
            - (v + 1) / 2 * mpmath.log1p(t * t / v))


def student_sf(t, df):
    t = mpf(t)
    if df == float("inf"):
        return normal_sf(t)
    v = mpf(df)
    if t * t > v:
        x = v / (v + t * t)
        a = v / 2
        beta = mpmath.beta(a, mpf(1) / 2)
        k = [mpf(1)]
        total, n, c = mpf(0), 0, mpf(1)
        floor = mpf(10) ** (-mp.dps - 2)
        while True:
            add = c / (a + n)
            total += add
            if add < total * floor:
                break
            c *= (n + mpf(1) / 2) / (n + 1) * x
            n += 1
        return x**a * total / beta / 2
    y = t * t / (v + t * t)
    centre = t * student_pdf(t, df) * series(mpf(1), lambda n: ((v + 1) / 2 + n) / (mpf(3) / 2 + n) * y)
    return mpf(1) / 2 - centre


# ---- chi-squared ----
def gamma_p(a, x):
    # In whole numbers of 2**-bits, because there are many terms when a is large.
    lead = mpmath.exp(a * mpmath.log(x) - x - mpmath.loggamma(a + 1))
    bits = mp.prec + 40
    one = 1 << bits
    over, under = int(mpmath.ldexp(x, bits)), int(mpmath.ldexp(a, bits))
    term = total = one
    while term:
        under += one
        term = term * over // under
        total += term
    return lead * mpmath.ldexp(mpf(total), -bits)


def chi_pdf(x, k):
    a = mpf(k) / 2
    return mpmath.exp((a - 1) * mpmath.log(mpf(x) / 2) - mpf(x) / 2 - mpmath.loggamma(a)) / 2


def chi_cdf(x, k):
    return gamma_p(mpf(k) / 2, mpf(x) / 2)


def solve(tail, pdf, sign, target, start):
    """Newton on the logarithm of a tail; sign -1 for an upper tail, +1 for a lower one."""
    x, target = mpf(start), mpf(target)
    for _ in range(60):
        v = tail(x)
        step = sign * mpmath.log(v / target) * v / pdf(x)
        x -= step
        if abs(step) < abs(x) * mpf(10) ** -33:
            return x
    raise RuntimeError(f"no convergence at {target} from {start}")


INF = float("inf")
FREEDOMS = [1, 1.3, 1.7, 2, 2.5, 3, 4, 5, 7.25, 9.99, 10, 15, 19, 19.9, 20, 20.5, 25, 30, 50, 100, 372, 1000, 1e4,
            123456.7, 1e6, 1e7, INF]
POINTS = [1e-8, 1e-3, 0.1, 0.5, 1, 1.5, 1.7, 1.74, 2, 2.5, 3, 3.7, 4.4, 4.5, 5, 6.4, 8, 12, 20, 37, 100, 1e3, 1e5,
          1e9, 1e40]
TAILS = [0.5 - 2.0**-40, 0.4999, 0.47, 0.4, 0.25, 0.1, 0.05, 0.025, 0.005, 1e-3, 1e-4, 1e-6, 1e-8, 1e-10, 1e-15,
         1e-40]


def digits_for(ln_tail):
    return 45 + int(max(0.0, -ln_tail) / 2.3)


def student_tables():
    tails, quantiles = [], []
    for df in FREEDOMS:
        for t in POINTS:
            mp.dps = 45
            ln_sf = float(mpmath.log(normal_sf(mpf(t)))) if df == INF else None
            if ln_sf is None:
                v = df
                ln_sf = -(v / 2) * float(mpmath.log1p(mpf(t) ** 2 / mpf(v))) - 3
            if ln_sf < -640:
                continue
            mp.dps = digits_for(ln_sf) + 10
            tails.append([t, number(df), text(student_sf(t, df)), text(1 - student_sf(t, df)),
                          text(student_ln_pdf(t, df))])
        for q in TAILS:
            mp.dps = digits_for(float(mpmath.log(q))) + 10
            start = scipy.special.ndtri(q) * -1 if df == INF else scipy.stats.t.isf(q, df)
            if q > 0.49:
                start = float((mpf(1) / 2 - mpf(q)) / student_pdf(0, df))
            quantiles.append([q, number(df), text(solve(lambda x: student_sf(x, df), lambda x: student_pdf(x, df),
                                                        -1, q, start))])
    mp.dps = 30
    worst = 0
    for df in [1.7, 10, 19.9, 372, 1e4]:
        for t in [0.5, 2, 5]:
            whole = mpmath.quad(lambda x: student_pdf(x, df), [t, t + 1, t + 4, t + 20, mpmath.inf])
            worst = max(worst, abs(whole / student_sf(t, df) - 1))
    print("student: series against quadrature", mpmath.nstr(worst, 3))
    assert worst < 1e-20
    return tails, quantiles


def normal_tables():
    tails, quantiles = [], []
    mp.dps = 60
    for i in range(-75, 76):
        x = i / 2 + (0.137 if i % 3 else 0.0)
        tails.append([x, text(normal_sf(mpf(x))), text(mpmath.log(normal_pdf(mpf(x))))])
    for q in TAILS + [0.3, 0.2, 0.15865525393145707, 0.01, 1e-5, 1e-7, 1e-12, 1e-20, 1e-75, 1e-150, 1e-300]:
        start = float((mpf(1) / 2 - mpf(q)) * mpmath.sqrt(2 * mpmath.pi)) if q > 0.49 else -scipy.special.ndtri(q)
        quantiles.append([q, text(solve(normal_sf, normal_pdf, -1, q, start))])
    return tails, quantiles


def chi_tables():
    tails = []
    for k in [1, 1.7, 2, 3, 5, 10, 19.5, 20, 23, 100, 372, 1000, 1e4, 1e6, 1e7]:
        mp.dps = 120
        for z in [-6.5, -4, -2, -0.5, 0, 0.5, 1, 2, 4, 6.5, 12]:
            x = float(k * max(0.05 - z / 200, 1 - 2 / (9 * k) + z * (2 / (9 * k)) ** 0.5) ** 3)
            p = chi_cdf(x, k)
            tails.append([x, k, text(p), text(1 - p)])
    mp.dps = 30
    for k, x in [(1.7, 9), (23, 60), (372, 300)]:
        whole = mpmath.quad(lambda u: chi_pdf(u, k), [x, x + 10, x + 50, x + 400, mpmath.inf])
        assert abs(whole / (1 - chi_cdf(x, k)) - 1) < 1e-15, (k, x)
    return tails


# ---- continuous ranked probability score, by integration of its definition ----
def crps(y, parts):
    def sf(x):
        return sum(w * whole_sf((x - m) / s, df) for w, m, s, df in parts)

    def cdf(x):
        return sum(w * whole_sf((m - x) / s, df) for w, m, s, df in parts)

    def whole_sf(z, df):
        return student_sf(z, df) if z >= 0 else 1 - student_sf(-z, df)

    marks = sorted({mpf(y)} | {mpf(m) + k * mpf(s) for _, m, s, _ in parts for k in (-12, -4, -1, 0, 1, 4, 12)})
    low = [-mpmath.inf] + [m for m in marks if m <= y]
    high = [m for m in marks if m >= y] + [mpmath.inf]
    return mpmath.quad(lambda x: cdf(x) ** 2, low) + mpmath.quad(lambda x: sf(x) ** 2, high)


def crps_table():
    mp.dps = 20
    rows = []
    for df in [1.2, 1.9, 3, 8.5, 30, 372, INF]:
        for y in [0.4, -1.7, 6.0]:
            parts = [[1.0, 0.5, 1.25, df]]
            rows.append([y, [[w, m, s, number(d)] for w, m, s, d in parts], mpmath.nstr(crps(y, parts), 17)])
    for parts in [
        [[0.3, -1.0, 0.5, INF], [0.7, 2.0, 1.5, INF]],
        [[0.25, 0.0, 1.0, INF], [0.5, 0.5, 0.125, INF], [0.25, 8.0, 3.0, INF]],
        [[0.3, -1.0, 0.5, 4.0], [0.7, 2.0, 1.5, 30.0]],
        [[0.5, 0.0, 0.0625, 1.5], [0.25, 5.0, 1.0, 6.0], [0.25, 5.5, 2.0, INF]],
    ]:
        for y in [-0.5, 1.0, 12.0]:
            rows.append([y, [[w, m, s, number(d)] for w, m, s, d in parts], mpmath.nstr(crps(y, parts), 17)])
    return rows


def main():
    out = {"made_by": "tests/reference/special.py", "mpmath": mpmath.__version__, "scipy_for_starts": scipy.__version__}
    for make, names in [
        (normal_tables, ["normal", "normal_upper_quantile"]),
        (student_tables, ["student", "student_upper_quantile"]),
        (crps_table, ["crps"]),
        (chi_tables, ["chi_squared"]),
    ]:
        made = make()
        for name, table in zip(names, made if len(names) == 2 else [made]):
            out[name] = table
            print(name, len(table), flush=True)
    lines = []
    for key, value in out.items():
        if isinstance(value, list):
            lines.append(f'"{key}": [\n' + ",\n".join(json.dumps(row) for row in value) + "\n]")
        else:
            lines.append(f'"{key}": {json.dumps(value)}')
    with open("tests/reference/special.json", "w") as file:
        file.write("{\n" + ",\n".join(lines) + "\n}\n")


if __name__ == "__main__":
    main()
