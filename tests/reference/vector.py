"""Logarithm and exponential at 2,000 points each to 40 digits: nearest double and what is left beyond it, in
units of its last place. mpmath; writes vector.csv beside this script. Python 3.11, mpmath 1.3 or later."""
import math, os, random, struct
import mpmath

mpmath.mp.dps = 40
random.seed(20261125)


def bits(v):
    return struct.pack(">d", v).hex()


def line(name, x, exact):
    nearest = float(exact)
    rest = (exact - mpmath.mpf(nearest)) / mpmath.mpf(math.ulp(nearest))
    return f"{name},{bits(x)},{bits(nearest)},{float(rest):.6f}"


lines = ["function,x,nearest,rest"]
for i in range(2100):
    if i < 700:
        x = math.exp(random.uniform(-700, 700))
    elif i < 1400:
        x = random.uniform(0.5, 200.0)
    else:
        x = 1.0 + random.uniform(-0.4, 0.5) * 10 ** random.uniform(-8, 0)
    lines.append(line("ln", x, mpmath.log(mpmath.mpf(x))))
    x = random.uniform(-700, 700) if i < 700 else random.uniform(-12, 12)
    lines.append(line("exp", x, mpmath.exp(mpmath.mpf(x))))
with open(os.path.join(os.path.dirname(os.path.abspath(__file__)), "vector.csv"), "w") as f:
    f.write("\n".join(lines) + "\n")
