# The one-level REML case of grouped.R by statsmodels MixedLM, a third and independent program.
#   python3 grouped_statsmodels.py > grouped_statsmodels.csv
# Made with statsmodels 0.15.0.
import numpy as np, pandas as pd, statsmodels.api as sm
t = pd.read_csv("grouped_nested.csv")
x = np.column_stack([np.ones(len(t)), np.log(t.depth_mm), t.angle_deg])
m = sm.MixedLM(t.ln_mass, x, groups=t.core).fit(reml=True, method=["bfgs"], gtol=1e-10, maxiter=2000)
print("quantity,name,value")
for n, b in zip(["(Intercept)", "log(depth_mm)", "angle_deg"], m.fe_params):
    print(f"coefficient,{n},{b:.17g}")
print(f"sd,residual,{np.sqrt(m.scale):.17g}")
print(f"sd,core,{np.sqrt(m.cov_re.iloc[0, 0]):.17g}")
