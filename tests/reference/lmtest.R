# Reference numbers of the residual checks in src/assess/tests.rs, from R's lmtest on the field school's table.
# Run from the project root:  Rscript tests/reference/lmtest.R > tests/reference/lmtest.csv
suppressMessages(library(lmtest))
d <- read.csv("examples/data/field-school.csv")
fit <- lm(log(mass_g) ~ log(platform_depth_mm) + exterior_platform_angle_deg, d)
show <- function(name, t) cat(sprintf("%s,%.15g,%.15g\n", name, t$statistic, t$p.value))
cat(sprintf("# %s, lmtest %s\n", R.version.string, packageVersion("lmtest")))
cat("check,statistic,p_value\n")
show("koenker fitted", bptest(fit, ~ fitted(fit)))
show("koenker blow_lands_on", bptest(fit, ~ factor(blow_lands_on), data = d))
show("koenker knapper", bptest(fit, ~ factor(knapper), data = d))
show("reset", resettest(fit, power = 2:3, type = "fitted"))
