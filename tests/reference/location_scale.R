# Reference numbers for the test of the modelled spread against R in src/fit/tests/shrunken.rs. Run in this folder: Rscript location_scale.R
# R 4.2.2, nlme 3.1-162, mgcv 1.8-41. Writes location_scale_data.csv (invented flakes of a field school on
# chalk downland, quartzite hammerstones against red deer antler on local flint) and location_scale.csv
# (model, quantity, index, value).
suppressMessages({library(nlme); library(mgcv)})

set.seed(20260611)
n <- 64
depth <- round(exp(rnorm(n, 1.9, 0.45)), 1)
angle <- sample(seq(55, 90, 5), n, TRUE)
antler <- rep(c(0, 1), c(38, 26))
ln_mass <- -6.1 + 2.1 * log(depth) + 0.045 * angle - 0.3 * antler +
  exp(-0.9 + 0.7 * antler - 0.04 * (depth - 7)) * rnorm(n)
d <- data.frame(depth_mm = depth, angle_deg = angle, antler = antler, ln_mass = round(ln_mass, 4))
write.csv(d, "location_scale_data.csv", row.names = FALSE, quote = FALSE)
d$percussor <- factor(ifelse(d$antler == 1, "antler", "quartzite"), levels = c("quartzite", "antler"))

rows <- list()
put <- function(model, quantity, values) {
  values <- as.numeric(values)
  rows[[length(rows) + 1]] <<- data.frame(model = model, quantity = quantity, index = seq_along(values) - 1,
    value = sprintf("%.15g", values))
}

control <- glsControl(tolerance = 1e-12, msTol = 1e-14, msMaxIter = 500, maxIter = 500, opt = "nlminb")
form <- ln_mass ~ log(depth_mm) + angle_deg + antler
X <- model.matrix(form, d)
Z <- list(
  ident = cbind(1, d$antler), exp = cbind(1, d$depth_mm), power = cbind(1, log(d$depth_mm)),
  both = cbind(1, d$antler, d$depth_mm))
weights <- list(
  ident = varIdent(form = ~ 1 | percussor), exp = varExp(form = ~ depth_mm), power = varPower(form = ~ depth_mm),
  both = varComb(varIdent(form = ~ 1 | percussor), varExp(form = ~ depth_mm)))

# The restricted likelihood and its expected information with n by n matrices, as written in textbooks.
dense <- function(gamma, Z) {
  w <- exp(-2 * as.vector(Z %*% gamma))
  V <- diag(1 / w); A <- t(X) %*% (w * X)
  b <- solve(A, t(X) %*% (w * d$ln_mass)); r <- d$ln_mass - X %*% b
  list(reml = -0.5 * ((n - ncol(X)) * log(2 * pi) + sum(-log(w)) +
         as.numeric(determinant(A)$modulus) + sum(w * r^2)),
       ml = sum(dnorm(d$ln_mass, X %*% b, 1 / sqrt(w), log = TRUE)), A = A, w = w)
}
for (name in names(Z)) for (method in c("REML", "ML")) {
  model <- paste(name, tolower(method), sep = "_")
  fit <- gls(form, d, weights = weights[[name]], method = method, control = control)
  gls_gamma <- c(log(fit$sigma), coef(fit$modelStruct$varStruct, unconstrained = TRUE))
  zz <- Z[[name]]
  # Polish: the criterion by Newton with numerical derivatives, from gls's answer.
  f <- function(g) -dense(g, zz)[[tolower(method)]]
  gamma <- gls_gamma
  for (k in 1:6) {
    h <- 1e-3 / apply(abs(zz), 2, max); q <- length(gamma); E <- diag(h)
    g <- sapply(1:q, function(j) (8 * (f(gamma + E[j, ]) - f(gamma - E[j, ])) -
           (f(gamma + 2 * E[j, ]) - f(gamma - 2 * E[j, ]))) / (12 * h[j]))
    H <- optimHess(gamma, f, control = list(ndeps = h))
    gamma <- gamma - solve(H, g)
  }
  at <- dense(gamma, zz)
  M <- diag(n) - sqrt(at$w) * X %*% solve(at$A, t(sqrt(at$w) * X))
  info <- if (method == "REML") 2 * t(zz) %*% (M * M) %*% zz else 2 * t(zz) %*% zz
  put(model, "gls_beta", coef(fit)); put(model, "gls_gamma", gls_gamma)
  put(model, "gls_se_beta", sqrt(diag(fit$varBeta)))
  put(model, "gls_loglik", logLik(fit)); put(model, "gls_aic", AIC(fit))
  put(model, "gamma", gamma); put(model, "ml", at$ml); put(model, "reml", at$reml)
  put(model, "gamma_cov", solve(info)); put(model, "beta_cov", solve(at$A))
  cat(model, "gls vs polished gamma:", max(abs(gamma - gls_gamma)), "\n")
}
# mgcv's gaulss with b = 0 models ln sigma; no smooth terms, so plain maximum likelihood.
g <- gam(list(form, ~ antler + depth_mm), family = gaulss(b = 0), data = d,
         control = gam.control(epsilon = 1e-13, maxit = 500))
put("gaulss_both", "coef", coef(g)); put("gaulss_both", "loglik", logLik(g))
write.csv(do.call(rbind, rows), "location_scale.csv", row.names = FALSE, quote = FALSE)
