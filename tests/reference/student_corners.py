"""Upper quantiles of Student's t with few degrees of freedom in far tails, for the tests of `special`.

Python 3.11, mpmath 1.3.0. Run from the project root:
python3 tests/reference/student_corners.py > tests/reference/student_corners.csv
ln x with P(T > x) = q by the regularised incomplete beta function and bisection in ln x; 1000 where x is beyond the
doubles.
"""
import mpmath as mp
mp.mp.dps = 40
def sf(lx, df):
    x2 = mp.e**(2*lx)
    return mp.betainc(mp.mpf(df)/2, mp.mpf(1)/2, 0, df/(df+x2), regularized=True)/2
print("df,q,ln_x")
for df in ["1e-300","1e-100","1e-8","1e-3","0.01","0.03","0.1","0.25","0.5","0.75","0.99","1.5"]:
    for q in ["0.49","0.3","0.1","0.05","1e-3","1e-10","1e-16","1e-40","1e-100","1e-250","1e-300","1e-320"]:
        d, t = mp.mpf(float(df)), mp.mpf(float(q))
        f = lambda lx: sf(lx, d)
        if f(mp.mpf(710)) > t:
            print(f"{df},{q},1000")
            continue
        low, high = mp.mpf(-745), mp.mpf(710)
        for _ in range(90):
            mid = (low+high)/2
            low, high = (mid, high) if f(mid) > t else (low, mid)
        print(f"{df},{q},{mp.nstr(low,20)}")
