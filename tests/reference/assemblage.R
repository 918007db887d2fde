# Reference numbers for totals of many flakes that share the coefficients of one calibration.
#
# Run in this folder: Rscript assemblage.R. An invented calibration of 40 flakes (written to
# assemblage_calibration.csv) is fitted by lm; totals over 30 invented platforms (assemblage_platforms.csv)
#   identity scale: the closed form, total ~ t_d(1'Xb, s^2 (1'X (X'X)^-1 X'1 + n))
#   log scale: 4 million draws of the exact posterior predictive, quantiles with their Monte Carlo error
#   log scale, modelled spread and t errors: 1 million draws
options(digits = 17)
set.seed(20)
n <- 40
depth <- round(exp(rnorm(n, log(7), 0.45)), 1)
angle <- round(runif(n, 55, 90))
mass <- round(exp(-3.2 + 1.5 * log(depth) + 0.035 * angle + rnorm(n, 0, 0.5)), 2)
write.csv(data.frame(platform_depth_mm = depth, exterior_platform_angle_deg = angle, mass_g = mass),
          "assemblage_calibration.csv", row.names = FALSE, quote = FALSE)
m <- 30
pd <- round(exp(rnorm(m, log(7), 0.4)), 1)
pa <- round(runif(m, 55, 90))
write.csv(data.frame(platform_depth_mm = pd, exterior_platform_angle_deg = pa),
          "assemblage_platforms.csv", row.names = FALSE, quote = FALSE)
out <- character()
put <- function(what, p, value, error) {
  out <<- c(out, paste(what, p, format(value, digits = 17), format(error, digits = 3), sep = ","))
}
ps <- c(0.025, 0.5, 0.975)

# identity: mass on depth and angle
fit <- lm(mass ~ depth + angle)
X <- cbind(1, pd, pa)
one <- colSums(X)
V <- vcov(fit)
s <- summary(fit)$sigma
scale <- sqrt(drop(one %*% V %*% one) + m * s^2)
for (p in ps) put("identity", p, sum(one * coef(fit)) + scale * qt(p, fit$df.residual), 0)

# log scale
fit <- lm(log(mass) ~ log(depth) + angle)
X <- cbind(1, log(pd), pa)
V <- vcov(fit); s <- summary(fit)$sigma; d <- fit$df.residual
L <- t(chol(V))
total <- numeric(0)
for (block in 1:40) {
  B <- 1e5
  by <- sqrt(d / rchisq(B, d))
  beta <- coef(fit) + sweep(L %*% matrix(rnorm(3 * B), 3), 2, by, "*")
  eta <- X %*% beta
  e <- matrix(rnorm(m * B), m) * rep(s * by, each = m)
  total <- c(total, colSums(exp(eta + e)))
}
quant <- function(what, x) for (p in ps) {
  h <- sqrt(p * (1 - p) / length(x))
  q <- quantile(x, c(p, p - h, p + h), names = FALSE)
  put(what, p, q[1], (q[3] - q[2]) / 2)
}
quant("ln", total)

# log scale, modelled spread, t errors: coefficients and covariances written down here
b <- c(-3.1, 1.45, 0.034); Vb <- matrix(c(0.09, -0.008, -0.001, -0.008, 0.012, -0.0001, -0.001, -0.0001, 0.00002), 3)
g <- c(-1.2, 0.25); Vg <- matrix(c(0.05, -0.02, -0.02, 0.0125), 2)
Lb <- t(chol(Vb)); Lg <- t(chol(Vg)); Z <- cbind(1, log(pd))
total <- numeric(0)
for (block in 1:10) {
  B <- 1e5
  beta <- b + Lb %*% matrix(rnorm(3 * B), 3)
  gam <- g + Lg %*% matrix(rnorm(2 * B), 2)
  e <- matrix(rt(m * B, 5), m)
  total <- c(total, colSums(exp(X %*% beta + exp(Z %*% gam) * e)))
}
quant("modelled", total)
writeLines(c(paste0("# ", R.version.string), "what,p,value,monte_carlo_error", out), "assemblage.csv")
