# Reference values for src/plan/tests.rs: noncentral t, power of the two-sample t test, optimal designs by brute
# force, and the expected width of intervals. Run: Rscript plan.R > plan.csv
# Made with R 4.2.2. pt(ncp) is AS 243 (Lenth 1989), which keeps about 1e-10 in absolute terms.
cat("# R ", as.character(getRversion()), "\n", sep = "")
cat("kind,a,b,c,d,value\n")
put <- function(kind, a, b, c, d, value) cat(sprintf("%s,%.17g,%.17g,%.17g,%.17g,%.17g\n", kind, a, b, c, d, value))

# upper tail of the noncentral t: t, freedom, noncentrality
for (df in c(1, 2, 3.5, 10, 22, 60, 371)) for (ncp in c(0, 0.5, 1.7, 3, 6)) for (t in c(-1, 0.5, 2.1, 4))
  put("nct", t, df, ncp, 0, pt(t, df, ncp, lower.tail = FALSE))

# flakes by each of two percussors, difference over spread, alpha
for (n in c(2, 3, 6, 12, 30, 200)) for (delta in c(0.1, 0.5, 1, 2)) for (alpha in c(0.01, 0.05, 0.2))
  put("power", n, delta, alpha, 0,
      power.t.test(n = n, delta = delta, sd = 1, sig.level = alpha, strict = TRUE)$power)

# expected width of intervals, spread 1: flakes n on x = 1..n, at x0; c of the expected spread by gamma functions
for (n in c(4, 7, 24, 90)) for (x0 in c(0, 5.5)) for (level in c(0.8, 0.95)) {
  x <- seq_len(n); set.seed(n); y <- rnorm(n); fit <- lm(y ~ x)
  p <- predict(fit, data.frame(x = x0), interval = "prediction", level = level)
  m <- predict(fit, data.frame(x = x0), interval = "confidence", level = level)
  v <- n - 2
  c4 <- sqrt(2 / v) * exp(lgamma((v + 1) / 2) - lgamma(v / 2))
  put("width_new", n, x0, level, 0, (p[3] - p[2]) / sigma(fit) * c4)
  put("width_mean", n, x0, level, 0, (m[3] - m[2]) / sigma(fit) * c4)
}
