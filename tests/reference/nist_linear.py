"""Writes nist_linear.json: the eleven linear least-squares sets of the NIST Statistical Reference Datasets.

    python3 nist_linear.py          # writes nist_linear.json beside this script (Python 3.11, standard library only)

The sets are United States government works (https://www.itl.nist.gov/div898/strd/lls/lls.shtml).
Where each number came from:

* observations of Norris: the NIST file shipped with scipy 1.17.1's tests (nist_linregress/Norris.dat);
  of Longley: statsmodels 0.15.0 datasets/longley; of Pontius: data/pontius.dat of the Clojure library Incanter;
  of Filip: the regression test of Apache Commons Math (MillerUpdatingRegressionTest, testFilippelli);
  Wampler1 to 5: polynomials and multiples of one list of deviations, see below; NoInt1 and NoInt2:
  from memory, proven by the certified values.
* certified values: quoted from NIST's pages by several public test suites (scipy, Commons Math, Praat and
  a qualification report of R). None is trusted: the least-squares problem is solved here in exact rational
  arithmetic, and the script stops unless every certified digit is reproduced (the last of the fifteen may
  be off by one unit, the convention of rounding). What is written is the exact solution, rounded once to a
  double.

The rows written are the powers of the observed x, each rounded once to a double; the solution belongs to the
unrounded powers. That matters for Filip alone, whose condition number is about 1.8e15.
"""

import json
from decimal import Decimal, getcontext
from fractions import Fraction
from pathlib import Path

getcontext().prec = 60

NORRIS = """
    0.1,0.2 338.8,337.4 118.1,118.2 888.0,884.6 9.2,10.1 228.1,226.5 668.5,666.3 998.5,996.3
    449.1,448.6 778.9,777.0 559.2,558.2 0.3,0.4 0.1,0.6 778.1,775.5 668.8,666.9 339.3,338.0
    448.9,447.5 10.8,11.6 557.7,556.0 228.3,228.1 998.0,995.8 888.8,887.6 119.6,120.2 0.3,0.3
    0.6,0.3 557.6,556.8 339.3,339.1 888.0,887.2 998.5,999.0 778.9,779.0 10.2,11.1 117.6,118.3
    228.9,229.2 668.4,669.1 449.2,448.9 0.2,0.5
"""
LONGLEY = """
    60323,83,234289,2356,1590,107608,1947 61122,88.5,259426,2325,1456,108632,1948
    60171,88.2,258054,3682,1616,109773,1949 61187,89.5,284599,3351,1650,110929,1950
    63221,96.2,328975,2099,3099,112075,1951 63639,98.1,346999,1932,3594,113270,1952
    64989,99,365385,1870,3547,115094,1953 63761,100,363112,3578,3350,116219,1954
    66019,101.2,397469,2904,3048,117388,1955 67857,104.6,419180,2822,2857,118734,1956
    68169,108.4,442769,2936,2798,120445,1957 66513,110.8,444546,4681,2637,121950,1958
    68655,112.6,482704,3813,2552,123366,1959 69564,114.2,502601,3931,2514,125368,1960
    69331,115.7,518173,4806,2572,127852,1961 70551,116.9,554894,4007,2827,130081,1962
"""
PONTIUS = """
    0.11019,150000 0.21956,300000 0.32949,450000 0.43899,600000 0.54803,750000 0.65694,900000
    0.76562,1050000 0.87487,1200000 0.98292,1350000 1.09146,1500000 1.20001,1650000 1.30822,1800000
    1.41599,1950000 1.52399,2100000 1.63194,2250000 1.73947,2400000 1.84646,2550000 1.95392,2700000
    2.06128,2850000 2.16844,3000000 0.11052,150000 0.22018,300000 0.32939,450000 0.43886,600000
    0.54798,750000 0.65739,900000 0.76596,1050000 0.87474,1200000 0.98300,1350000 1.09150,1500000
    1.20004,1650000 1.30818,1800000 1.41613,1950000 1.52408,2100000 1.63159,2250000 1.73965,2400000
    1.84696,2550000 1.95445,2700000 2.06177,2850000 2.16829,3000000
"""
FILIP = """
    0.8116,-6.860120914 0.9072,-4.324130045 0.9052,-4.358625055 0.9039,-4.358426747 0.8053,-6.955852379
    0.8377,-6.661145254 0.8667,-6.355462942 0.8809,-6.118102026 0.7975,-7.115148017 0.8162,-6.815308569
    0.8515,-6.519993057 0.8766,-6.204119983 0.8885,-5.853871964 0.8859,-6.109523091 0.8959,-5.79832982
    0.8913,-5.482672118 0.8959,-5.171791386 0.8971,-4.851705903 0.9021,-4.517126416 0.909,-4.143573228
    0.9139,-3.709075441 0.9199,-3.499489089 0.8692,-6.300769497 0.8872,-5.953504836 0.89,-5.642065153
    0.891,-5.031376979 0.8977,-4.680685696 0.9035,-4.329846955 0.9078,-3.928486195 0.7675,-8.56735134
    0.7705,-8.363211311 0.7713,-8.107682739 0.7736,-7.823908741 0.7775,-7.522878745 0.7841,-7.218819279
    0.7971,-6.920818754 0.8329,-6.628932138 0.8641,-6.323946875 0.8804,-5.991399828 0.7668,-8.781464495
    0.7633,-8.663140179 0.7678,-8.473531488 0.7697,-8.247337057 0.77,-7.971428747 0.7749,-7.676129393
    0.7796,-7.352812702 0.7897,-7.072065318 0.8131,-6.774174009 0.8498,-6.478861916 0.8741,-6.159517513
    0.8061,-6.835647144 0.846,-6.53165267 0.8751,-6.224098421 0.8856,-5.910094889 0.8919,-5.598599459
    0.8934,-5.290645224 0.894,-4.974284616 0.8957,-4.64454848 0.9047,-4.290560426 0.9129,-3.885055584
    0.9209,-3.408378962 0.9219,-3.13200249 0.7739,-8.726767166 0.7681,-8.66695597 0.7665,-8.511026475
    0.7703,-8.165388579 0.7702,-7.886056648 0.7761,-7.588043762 0.7809,-7.283412422 0.7961,-6.995678626
    0.8253,-6.691862621 0.8602,-6.392544977 0.8809,-6.067374056 0.8301,-6.684029655 0.8664,-6.378719832
    0.8834,-6.065855188 0.8898,-5.752272167 0.8964,-5.132414673 0.8963,-4.811352704 0.9074,-4.098269308
    0.9119,-3.66174277 0.9228,-3.2644011
"""

# The deviations of Wampler (1970): added once (Wampler3), a hundredfold (4) and ten-thousandfold (5)
# to 1 + x + ... + x^5 at x = 0 to 20.
DEVIATIONS = [759, -2048, 2048, -2048, 2523, -2048, 2048, -2048, 1838, -2048, 2048,
              -2048, 1838, -2048, 2048, -2048, 2523, -2048, 2048, -2048, 759]


def pairs(text):
    """Whitespace-separated records of comma-separated decimals, response first."""
    return [[Fraction(v) for v in record.split(",")] for record in text.split()]


def powers(x, first, last):
    return [x**k for k in range(first, last + 1)]


def exact_fit(rows, y, intercept):
    """Coefficients, variances, residual variance and R squared in rational arithmetic (Gauss-Jordan on X'X)."""
    p, n = len(rows[0]), len(rows)
    a = [[sum(r[i] * r[j] for r in rows) for j in range(p)] for i in range(p)]
    inverse = [[Fraction(int(i == j)) for j in range(p)] for i in range(p)]
    for k in range(p):
        pivot = next(i for i in range(k, p) if a[i][k] != 0)
        a[k], a[pivot] = a[pivot], a[k]
        inverse[k], inverse[pivot] = inverse[pivot], inverse[k]
        d = a[k][k]
        a[k] = [v / d for v in a[k]]
        inverse[k] = [v / d for v in inverse[k]]
        for i in range(p):
            if i != k and a[i][k] != 0:
                f = a[i][k]
                a[i] = [u - f * v for u, v in zip(a[i], a[k])]
                inverse[i] = [u - f * v for u, v in zip(inverse[i], inverse[k])]
    xy = [sum(r[i] * v for r, v in zip(rows, y)) for i in range(p)]
    beta = [sum(u * v for u, v in zip(row, xy)) for row in inverse]
    rss = sum((v - sum(b * u for b, u in zip(beta, r))) ** 2 for r, v in zip(rows, y))
    centre = sum(y) / n if intercept else Fraction(0)
    total = sum((v - centre) ** 2 for v in y)
    s2 = rss / (n - p)
    return beta, [s2 * inverse[i][i] for i in range(p)], s2, 1 - rss / total


def root(q):
    return (Decimal(q.numerator) / Decimal(q.denominator)).sqrt()


def decimal(q):
    return Decimal(q.numerator) / Decimal(q.denominator)


def proven(name, what, exact, certified):
    """Stops unless the certified digits are those of the exact value, the last one within one unit."""
    c = Decimal(certified)
    unit = Decimal(1).scaleb(c.as_tuple().exponent)
    if abs(exact - c) > unit:
        raise SystemExit(f"{name}: {what} is {exact}, certified {certified}")


WAMPLER_X = [Fraction(i) for i in range(21)]
WAMPLER_Y = [sum(powers(x, 0, 5)) for x in WAMPLER_X]
ONES = ["1.00000000000000"] * 6
NOUGHTS = ["0.000000000000000"] * 6
WAMPLER_SD = ["2152.32624678170", "2363.55173469681", "779.343524331583", "101.475507550350", "5.64566512170752",
              "0.112324854679312"]


def shifted(texts, places):
    """The certified texts of Wampler3, times a power of ten."""
    return [str(Decimal(t).scaleb(places)) for t in texts]


def polynomial(records, degree):
    return [powers(x, 0, degree) for _, x in records], [y for y, _ in records]


norris, pontius, filip, longley = (pairs(t) for t in (NORRIS, PONTIUS, FILIP, LONGLEY))
wampler_rows = [powers(x, 0, 5) for x in WAMPLER_X]


def wampler(times):
    return wampler_rows, [y + times * d for y, d in zip(WAMPLER_Y, DEVIATIONS)]


SETS = {
    "Norris": (polynomial(norris, 1), ["-0.262323073774029", "1.00211681802045"],
               ["0.232818234301152", "0.429796848199937E-03"], "0.884796396144373", "0.999993745883712"),
    "Pontius": (polynomial(pontius, 2),
                ["0.673565789473684E-03", "0.732059160401003E-06", "-0.316081871345029E-14"],
                ["0.107938612033077E-03", "0.157817399981659E-09", "0.486652849992036E-16"],
                "0.205177424076185E-03", "0.999999900178537"),
    "NoInt1": (([[Fraction(x)] for x in range(60, 71)], [Fraction(y) for y in range(130, 141)]),
               ["2.07438016528926"], ["0.165289256198347E-01"], "3.56753034006338", "0.999365492298663"),
    "NoInt2": (([[Fraction(x)] for x in (4, 5, 6)], [Fraction(y) for y in (3, 4, 4)]),
               ["0.727272727272727"], ["0.420827318078432E-01"], "0.369274472937998", "0.993348115299335"),
    "Filip": (polynomial(filip, 10),
              ["-1467.48961422980", "-2772.17959193342", "-2316.37108160893", "-1127.97394098372",
               "-354.478233703349", "-75.1242017393757", "-10.8753180355343", "-1.06221498588947",
               "-0.670191154593408E-01", "-0.246781078275479E-02", "-0.402962525080404E-04"],
              ["298.084530995537", "559.779865474950", "466.477572127796", "227.204274477751",
               "71.6478660875927", "15.2897178747400", "2.23691159816033", "0.221624321934227",
               "0.142363763154724E-01", "0.535617408889821E-03", "0.896632837373868E-05"],
              "0.334801051324544E-02", "0.996727416185620"),
    "Longley": (([[Fraction(1)] + r[1:] for r in longley], [r[0] for r in longley]),
                ["-3482258.63459582", "15.0618722713733", "-0.358191792925910E-01", "-2.02022980381683",
                 "-1.03322686717359", "-0.511041056535807E-01", "1829.15146461355"],
                ["890420.383607373", "84.9149257747669", "0.334910077722432E-01", "0.488399681651699",
                 "0.214274163161675", "0.226073200069370", "455.478499142212"],
                "304.854073561965", "0.995479004577296"),
    "Wampler1": (wampler(0), ONES, NOUGHTS, "0.000000000000000", "1.00000000000000"),
    "Wampler2": ((wampler_rows, [sum(v / Fraction(10) ** k for k, v in enumerate(r)) for r in wampler_rows]),
                 ["1.00000000000000", "0.100000000000000", "0.100000000000000E-01", "0.100000000000000E-02",
                  "0.100000000000000E-03", "0.100000000000000E-04"], NOUGHTS, "0.000000000000000", "1.00000000000000"),
    "Wampler3": (wampler(1), ONES, WAMPLER_SD, "2360.14502379268", "0.999995559025820"),
    "Wampler4": (wampler(100), ONES, shifted(WAMPLER_SD, 2), "236014.502379268", "0.957478440825662"),
    "Wampler5": (wampler(10000), ONES, shifted(WAMPLER_SD, 4), "23601450.2379268", "0.224668921574940E-02"),
}

out = {}
for name, ((rows, y), coefficients, errors, residual_sd, r_squared) in SETS.items():
    intercept = all(r[0] == 1 for r in rows)
    beta, variances, s2, r2 = exact_fit(rows, y, intercept)
    for j, c in enumerate(coefficients):
        proven(name, f"coefficient {j}", decimal(beta[j]), c)
    for j, c in enumerate(errors):
        proven(name, f"standard error {j}", root(variances[j]), c)
    proven(name, "residual standard deviation", root(s2), residual_sd)
    proven(name, "R squared", decimal(r2), r_squared)
    out[name] = {
        "terms": [("x" + str(j)) if intercept else "x1" for j in range(len(beta))],
        "intercept": intercept,
        "x": [[float(v) for v in r] for r in rows],
        "y": [float(v) for v in y],
        "coefficients": [float(b) for b in beta],
        "standard_errors": [float(root(v)) for v in variances],
        "residual_sd": float(root(s2)),
        "r_squared": float(r2),
        "source": "NIST StRD linear least squares, certified values reproduced in rational arithmetic by nist_linear.py",
    }
    print(name, len(y), "rows,", len(beta), "coefficients: every certified digit reproduced")

lines = [json.dumps(k) + ": " + json.dumps(v, separators=(",", ":")) for k, v in out.items()]
Path(__file__).with_name("nist_linear.json").write_text("{\n" + ",\n".join(lines) + "\n}\n")
