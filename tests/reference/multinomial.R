# Reference numbers for the multinomial logit from R: run as `Rscript multinomial.R` in this folder, after
# multinomial.py has written the invented table. With CONCHOID_DATA set, the glass table's numbers too.
# Unpenalised: nnet::multinom (tight reltol). Firth: brglm2 with mean-bias-reducing adjusted scores, which
# for this canonical link is the Jeffreys prior; for two classes also optim on the penalised likelihood.
suppressMessages({ library(nnet); library(brglm2) })
classes <- c("feather", "hinge", "step", "overshot")
out <- character()
put <- function(case, quantity, klass, term, value)
  out <<- c(out, sprintf("%s,%s,%s,%s,%.15g", case, quantity, klass, term, value))
matrices <- function(case, b, se, classes, names) for (k in seq_len(nrow(b))) for (j in seq_along(names)) {
  put(case, "coefficient", classes[k + 1], names[j], b[k, j])
  put(case, "standard_error", classes[k + 1], names[j], se[k, j])
}
# Columns are scaled for the optimiser and mapped back, as nnet's own stopping rule is not scale free.
back <- function(mu, s) { m <- diag(c(1, 1 / s)); m[1, -1] <- -mu / s; m }
none <- function(case, X, y, names) {
  mu <- colMeans(X); s <- apply(X, 2, sd); Z <- scale(X)
  f <- multinom(y ~ Z, trace = FALSE, reltol = 1e-22, abstol = 1e-22, maxit = 100000, Hess = TRUE)
  m <- back(mu, s); b <- coef(f) %*% t(m)
  A <- kronecker(diag(nrow(b)), m)
  se <- matrix(sqrt(diag(A %*% vcov(f) %*% t(A))), nrow(b), byrow = TRUE)
  put(case, "deviance", "", "", f$deviance); matrices(case, b, se, classes, names)
}
firth <- function(case, X, y, names) {
  mu <- colMeans(X); s <- apply(X, 2, sd); Z <- scale(X)
  f <- brmultinom(y ~ Z, ref = 1, type = "AS_mean", epsilon = 1e-12, maxit = 10000)
  m <- back(mu, s); b <- coef(f) %*% t(m)
  V <- vcov(f)
  k <- nrow(b); A <- kronecker(diag(k), m); V <- A %*% V %*% t(A)
  matrices(case, b, matrix(sqrt(diag(V)), k, byrow = TRUE), classes, names)
}
d <- read.csv("multinomial_table.csv")
X <- cbind(log(d$platform_depth_mm), d$exterior_platform_angle_deg, d$percussor == "antler")
names <- c("intercept", "ln depth", "angle", "antler")
y <- factor(d$termination, classes)
none("invented none", X, y, names)
firth("invented firth", X, y, names)
two <- as.integer(d$termination != "feather")
f <- glm(two ~ X, family = binomial, method = "brglmFit", type = "AS_mean", epsilon = 1e-13, maxit = 1000)
matrices("invented two classes firth", t(coef(f)), t(sqrt(diag(vcov(f)))), c("feather", "other"), names)
Z <- cbind(1, scale(X))
penalised <- function(b) {
  p <- plogis(drop(Z %*% b))
  sum(dbinom(two, 1, p, log = TRUE)) + 0.5 * as.numeric(determinant(crossprod(Z, Z * (p * (1 - p))))$modulus)
}
o <- optim(rep(0, 4), penalised, method = "BFGS", control = list(fnscale = -1, reltol = 1e-16, maxit = 1000, ndeps = rep(1e-5, 4)))
b <- drop(back(colMeans(X), apply(X, 2, sd)) %*% o$par)
for (j in 1:4) put("invented two classes optim", "coefficient", "other", names[j], b[j])
folder <- Sys.getenv("CONCHOID_DATA")
if (nzchar(folder)) {
  g <- read.csv(file.path(folder, "glass-controlled.csv"))
  g <- g[g$termination %in% classes & !is.na(g$platform_depth_mm) & !is.na(g$exterior_platform_angle_deg) & !is.na(g$angle_of_blow_deg), ]
  X <- cbind(log(g$platform_depth_mm), g$exterior_platform_angle_deg, g$angle_of_blow_deg, g$percussor == "bone", g$blow_lands_on == "edge")
  names <- c("intercept", "ln depth", "angle", "blow", "organic", "edge")
  y <- factor(g$termination, classes)
  none("glass none", X, y, names)
  firth("glass firth", X, y, names)
}
version <- sprintf("# multinomial.R; %s, nnet %s, brglm2 %s", R.version.string, packageVersion("nnet"), packageVersion("brglm2"))
writeLines(c(version, "case,quantity,class,term,value", out), "multinomial_r.csv")
