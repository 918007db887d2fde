"""The logarithm of what a ratio is above 1, and of its derivative, to fifty digits.

Run in this folder: python3 transform.py. The ratios are doubles, so what is subtracted is exact.
"""
import mpmath as mp

mp.mp.dps = 50
sizes = [1 + 2.0**-40, 1.000001, 1.0005, 1.01, 1.05, 1.25, 1.5, 2.0, 2.718281828459045, 3.7, 12.0, 250.0, 1e6]
with open("transform.csv", "w") as out:
    out.write(f"# mpmath {mp.__version__}, transform.py: size, ln(size - 1), ln of its derivative -ln(size - 1)\n")
    out.write("size,value,ln_derivative\n")
    for s in sizes:
        v = mp.log(mp.mpf(s) - 1)
        d = mp.log(mp.diff(lambda x: mp.log(x - 1), mp.mpf(s), h=mp.mpf(10) ** -30))
        out.write(f"{s!r},{mp.nstr(v, 20)},{mp.nstr(d, 20)}\n")
