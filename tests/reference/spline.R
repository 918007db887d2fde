# Reference numbers for the test of splines in src/form/elementary.rs. Run in this folder: Rscript spline.R
# R 4.2.2, splines 4.2.2: fitted values of least squares on ns(), inside the boundary knots and beyond.
library(splines)
set.seed(20260616)
depth <- round(exp(rnorm(40, 1.9, 0.5)), 1)
ln_mass <- round(-2 + 2 * log(depth) + sin(depth / 2) + rnorm(40, 0, 0.3), 3)
knots <- c(4, 6, 8, 11, 14)
m <- lm(ln_mass ~ ns(depth, knots = knots[2:4], Boundary.knots = knots[c(1, 5)]))
write.csv(data.frame(depth_mm = depth, ln_mass = ln_mass, fitted = sprintf("%.15g", fitted(m))), "spline.csv",
  row.names = FALSE, quote = FALSE)
cat(range(depth), "\n")
