# The law of what was kept, written apart from the crate: three sizes jointly normal in logs, each flake's density
# divided by the probability that the greater of length and width is 25 mm or more; that probability by R's adaptive
# quadrature over the length, not by a formula for two normals. Full likelihood, optim() and then Newton steps on
# differences. Then lme4 on the same flakes as if all had been kept: a random level by knapper.
#
#   Rscript kept.R > kept.csv      (R 4, lme4 1.1)
suppressMessages(library(lme4))
options(digits = 15)
d <- read.csv("kept_flakes.csv")
X <- cbind(1, log(d$platform_depth_mm) - 1.5, (d$exterior_platform_angle_deg - 75) / 10)
Y <- log(as.matrix(d[, c("length_mm", "width_mm", "mass_g")]))
cut <- log(25)
# probability that both lie below the cut: integrate the length's density times the chance of the width given it
both <- function(h, k, rho) {
  r <- sqrt(1 - rho^2)
  integrate(function(z) dnorm(z) * pnorm((k - rho * z) / r), -9, h, rel.tol = 1e-12, abs.tol = 0)$value
}
unpack <- function(p) {
  B <- matrix(p[1:9], 3)
  L <- matrix(0, 3, 3)
  L[lower.tri(L, TRUE)] <- p[10:15]
  diag(L) <- exp(diag(L))
  list(B = B, S = L %*% t(L), L = L)
}
ll <- function(p) {
  m <- unpack(p)
  E <- Y - X %*% m$B
  Z <- t(forwardsolve(m$L, t(E)))
  s <- sqrt(diag(m$S))
  rho <- m$S[1, 2] / (s[1] * s[2])
  mu <- X %*% m$B
  lost <- mapply(both, (cut - mu[, 1]) / s[1], (cut - mu[, 2]) / s[2], MoreArgs = list(rho = rho))
  -sum(-0.5 * rowSums(Z^2) - sum(log(diag(m$L))) - log1p(-lost))
}
B0 <- solve(qr.R(qr(X)), t(qr.Q(qr(X))) %*% Y)
L0 <- t(chol(crossprod(Y - X %*% B0) / nrow(Y)))
diag(L0) <- log(diag(L0))
p <- c(B0, L0[lower.tri(L0, TRUE)])
o <- optim(p, ll, method = "BFGS", control = list(maxit = 500, reltol = 1e-14))
p <- o$par
slope <- function(p, e = 1e-3) sapply(seq_along(p), function(i) {
  f <- function(t) { q <- p; q[i] <- q[i] + t; ll(q) }
  (8 * (f(e) - f(-e)) - (f(2 * e) - f(-2 * e))) / (12 * e)
})
for (round in 1:4) {
  g <- slope(p)
  H <- sapply(seq_along(p), function(i) { q <- p; q[i] <- q[i] + 1e-3; (slope(q) - g) / 1e-3 })
  p <- p - solve((H + t(H)) / 2, g)
}
m <- unpack(p)
out <- function(what, v) for (i in seq_along(v)) cat(what, i, format(v[i], digits = 15), sep = ",", fill = TRUE)
cat("what,place,value\n")
out("coefficient", t(m$B))
out("covariance", m$S[lower.tri(m$S, TRUE)])
out("ln likelihood", -ll(p))
f <- lmer(log(mass_g) ~ I(log(platform_depth_mm) - 1.5) + I((exterior_platform_angle_deg - 75) / 10) +
  (1 | knapper), d, control = lmerControl(optimizer = "bobyqa",
  optCtrl = list(rhoend = 1e-12), calc.derivs = FALSE))
v <- as.matrix(VarCorr(f)$knapper)
out("mixed coefficient", fixef(f))
out("mixed standard error", sqrt(diag(vcov(f))))
out("mixed between", v[1, 1])
out("mixed within", sigma(f)^2)
out("mixed effect", as.matrix(ranef(f)$knapper)[, 1])
