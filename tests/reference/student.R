# Reference numbers for tests/student.rs. Run in this folder: Rscript student.R
# R 4.2.2, MASS 7.3-58.2. Writes student_data.csv (invented flakes of a field school on chalk downland) and
# student.csv (model, quantity, index, value). Likelihoods from dt alone, maximised by BFGS and polished by
# Newton steps on numerical derivatives; the parameter of the tails is kappa = 1/nu.
suppressMessages(library(MASS))
set.seed(20260614)
n <- 120
depth <- round(exp(rnorm(n, 1.9, 0.45)), 1)
antler <- rep(c(0, 1), c(65, 55))
angle <- sample(seq(55, 90, 5), n, TRUE)
sigma <- exp(-1.1 + 0.5 * antler)
d <- data.frame(depth_mm = depth, angle_deg = angle, antler = antler,
  ln_mass = round(-6.1 + 2.1 * log(depth) + 0.045 * angle + sigma * rt(n, 3.5), 4),
  ln_mass_normal = round(-6.1 + 2.1 * log(depth) + 0.045 * angle + sigma * runif(n, -1.7, 1.7), 4))
write.csv(d, "student_data.csv", row.names = FALSE, quote = FALSE)

rows <- list()
put <- function(model, quantity, values) {
  values <- as.numeric(values)
  rows[[length(rows) + 1]] <<- data.frame(model = model, quantity = quantity, index = seq_along(values) - 1,
    value = sprintf("%.15g", values))
}
loglik <- function(theta, y, X, Z, kappa = NULL) {
  p <- ncol(X); q <- ncol(Z)
  k <- if (is.null(kappa)) theta[p + q + 1] else kappa
  if (k < 0 || k > 1) return(-1e10)
  s <- exp(as.vector(Z %*% theta[p + 1:q]))
  sum(dt((y - as.vector(X %*% theta[1:p])) / s, if (k > 0) 1 / k else Inf, log = TRUE) - log(s))
}
maximise <- function(y, X, Z, kappa = NULL) {
  # Turned to orthonormal columns for BFGS and the polish, and back.
  qx <- qr(X); qz <- qr(Z); U <- qr.Q(qx) * sqrt(nrow(X)); V <- qr.Q(qz) * sqrt(nrow(Z))
  p <- ncol(X); q <- ncol(Z)
  f <- function(t) -loglik(t, y, U, V, kappa)
  b <- crossprod(U, y) / nrow(X); r <- y - U %*% b
  t0 <- c(b, crossprod(V, rep(log(sd(r) * 0.8), nrow(X))) / nrow(X), if (is.null(kappa)) 0.2)
  o <- optim(t0, f, method = "BFGS", control = list(reltol = 1e-15, maxit = 2000))
  t <- o$par; m <- length(t)
  grad <- function(t, h = 1e-3) sapply(1:m, function(j) { E <- replace(numeric(m), j, h)
    (45 * (f(t + E) - f(t - E)) - 9 * (f(t + 2 * E) - f(t - 2 * E)) + f(t + 3 * E) - f(t - 3 * E)) / (60 * h) })
  H <- optimHess(t, f, grad, control = list(ndeps = rep(1e-4, m)))
  for (i in 1:8) t <- t - solve(H, grad(t))
  list(beta = solve(qr.R(qx) / sqrt(nrow(X)), t[1:p]), gamma = solve(qr.R(qz) / sqrt(nrow(X)), t[p + 1:q]),
       kappa = if (is.null(kappa)) t[m] else kappa, loglik = -f(t), step = max(abs(solve(H, grad(t)))))
}
# Expected information of (gamma, kappa) and beta by numerical integration of the score products.
information <- function(k, X, Z, s) {
  nu <- 1 / k
  dens <- function(e) dt(e, nu)
  s_mu <- function(e) (nu + 1) * e / (nu + e^2)
  s_tau <- function(e) (nu + 1) * e^2 / (nu + e^2) - 1
  s_k <- function(e) { ll <- function(k) dt(e, 1 / k, log = TRUE); h <- 1e-3 * k
    (8 * (ll(k + h) - ll(k - h)) - (ll(k + 2 * h) - ll(k - 2 * h))) / (12 * h) }
  E <- function(g) integrate(function(e) g(e) * dens(e), -Inf, Inf, rel.tol = 1e-11, subdivisions = 2000)$value
  a <- E(function(e) s_mu(e)^2); tt <- E(function(e) s_tau(e)^2)
  tk <- E(function(e) s_tau(e) * s_k(e)); kk <- E(function(e) s_k(e)^2)
  list(beta = crossprod(X / s) * a,
       scale = rbind(cbind(crossprod(Z) * tt, colSums(Z) * tk), c(colSums(Z) * tk, nrow(Z) * kk)))
}
X <- model.matrix(~ log(depth_mm) + angle_deg, d)
designs <- list(alone = matrix(1, n, 1), both = cbind(1, d$antler))
for (name in names(designs)) {
  Z <- designs[[name]]
  f <- maximise(d$ln_mass, X, Z)
  cat(name, "nu", 1 / f$kappa, "last Newton step", f$step, "\n")
  put(name, "beta", f$beta); put(name, "gamma", f$gamma); put(name, "kappa", f$kappa); put(name, "loglik", f$loglik)
  I <- information(f$kappa, X, Z, exp(as.vector(Z %*% f$gamma)))
  put(name, "se_beta", sqrt(diag(solve(I$beta)))); put(name, "se_scale", sqrt(diag(solve(I$scale))))
  g <- maximise(d$ln_mass, X, Z, 1 / 4)
  put(name, "beta_4", g$beta); put(name, "gamma_4", g$gamma); put(name, "loglik_4", g$loglik)
  drop <- function(k) 2 * (f$loglik - maximise(d$ln_mass, X, Z, k)$loglik) - qchisq(0.9, 1)
  ends <- c(if (drop(0) > 0) uniroot(drop, c(0, f$kappa), tol = 1e-11)$root else 0, if (drop(1 / 2.1) > 0) uniroot(drop, c(f$kappa, 1 / 2.1), tol = 1e-11)$root else 1 / 2.1)
  put(name, "df_interval_90", rev(1 / ends))
}
m <- fitdistr(d$ln_mass, "t", start = list(m = median(d$ln_mass), s = 0.5, df = 20), lower = c(-10, 0.01, 2.1))
put("fitdistr", "estimate", m$estimate); put("fitdistr", "loglik", m$loglik)
r <- lm(ln_mass_normal ~ log(depth_mm) + angle_deg, d)
put("light", "beta", coef(r)); put("light", "loglik", logLik(r))
write.csv(do.call(rbind, rows), "student.csv", row.names = FALSE, quote = FALSE)
