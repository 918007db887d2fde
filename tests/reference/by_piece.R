# Reference numbers for the fit in which each piece counts once (src/fit/by_piece.rs).
#
# Run in this folder: Rscript by_piece.R FOLDER, FOLDER holding the published table retouch-sequences.csv.
# The location is R's lm with weights; the spread is R's glm of the Gamma family with a logarithmic link, of squared
# residual plus the variance of the expected value, in turn until neither moves; the covariances are sums over pieces.
#
# by_piece_data.csv  an invented table, made here
# by_piece.csv       its coefficients, standard errors and log-likelihood
# by_piece_flint.csv the coefficients of the bundled calibration of loss, by variant
options(digits = 17)

fit <- function(X, Z, y, piece) {
  w <- 1 / ave(rep(1, length(y)), piece, FUN = sum)
  s2 <- rep(var(y), length(y))
  for (k in 1:500) {
    m <- lm.wfit(X, y, w / s2)
    R <- qr.R(m$qr)
    V <- rowSums((X %*% backsolve(R, diag(ncol(X))))^2)
    d <- m$residuals^2 + V
    g <- suppressWarnings(glm.fit(Z, d, weights = w, family = Gamma("log"), control = glm.control(1e-15, 100),
                                  mustart = s2))
    moved <- max(abs(log(g$fitted.values / s2)))
    s2 <- g$fitted.values
    if (moved < 1e-13) break
  }
  stopifnot(moved < 1e-11)
  b <- m$coefficients
  r <- y - drop(X %*% b)
  B <- solve(crossprod(X * sqrt(w / s2)))
  sums <- function(u) rowsum(u, piece)
  G <- length(unique(piece))
  cov_b <- B %*% crossprod(sums(X * (w * r / s2))) %*% B * G / (G - 1)
  h <- rowSums((X %*% B) * X) / s2
  A <- solve(2 * crossprod(Z * sqrt(w)))
  cov_c <- A %*% crossprod(sums(Z * (w * (r^2 / s2 - 1 + h)))) %*% A * G / (G - 1)
  list(b = b, c = g$coefficients / 2, se_b = sqrt(diag(cov_b)), se_c = sqrt(diag(cov_c)), cov_b = cov_b,
       ln_likelihood = sum(w * dnorm(y, y - r, sqrt(s2), log = TRUE)))
}

set.seed(20)
states <- rep(1:6, 4)
piece <- rep(seq_along(states), states)
n <- length(piece)
a <- round(rnorm(length(states), 0, 0.4)[piece], 3)
u <- round(runif(n, 0, 1), 3)
v <- round(rnorm(n), 3)
y <- round(-2 + 3 * u + 0.4 * v + a + exp(-1 + 0.8 * u) * rnorm(n), 4)
order <- sample(n)
data <- data.frame(piece = piece, u = u, v = v, y = y)[order, ]
write.csv(data, "by_piece_data.csv", row.names = FALSE, quote = FALSE)
f <- with(data, fit(cbind(1, u, v), cbind(1, u), y, piece))
out <- file("by_piece.csv", "w")
cat(sprintf("# %s, by_piece.R\n", R.version.string), file = out)
cat("what,value\n", file = out)
put <- function(name, v) cat(sprintf("%s,%s\n", paste0(name, seq_along(v)), format(v, digits = 15)), file = out, sep = "")
put("coefficient_", f$b); put("error_", f$se_b); put("spread_", f$c); put("spread_error_", f$se_c)
put("covariance_", f$cov_b[lower.tri(f$cov_b)]); put("ln_likelihood_", f$ln_likelihood)
close(out)

folder <- commandArgs(TRUE)
if (length(folder) == 1) {
  d <- read.csv(file.path(folder, "retouch-sequences.csv"))
  d <- d[d$episode > 0, ]
  H <- as.matrix(d[sprintf("retouch_height_%d_mm", 1:3)])
  T <- as.matrix(d[sprintf("thickness_at_%d_mm", 1:3)])
  d$t <- rowMeans(H); d$i <- rowMeans(pmin(H / T, 1))
  y <- log(d$original_mass_g / d$mass_now_g - 1)
  X <- list(
    "mass, thickness, heights, index, length, width" = with(d, cbind(1, log(mass_now_g), log(max_thickness_now_mm),
      log(t), i, i^3, log(length_now_mm), log(width_now_mm))),
    "mass, thickness, heights, index" = with(d, cbind(1, log(mass_now_g), log(max_thickness_now_mm), log(t), i, i^3)),
    "mass, thickness, index" = with(d, cbind(1, log(mass_now_g), log(max_thickness_now_mm), log(i), i, i^3)),
    "mass, thickness, heights" = with(d, cbind(1, log(mass_now_g), log(max_thickness_now_mm), log(t),
      t / max_thickness_now_mm)),
    "mass, index" = with(d, cbind(1, log(mass_now_g), log(i), i, i^3)),
    "mass, heights" = with(d, cbind(1, log(mass_now_g), log(t), t / mass_now_g^(1 / 3))))
  out <- file("by_piece_flint.csv", "w")
  cat(sprintf("# %s, by_piece.R\n", R.version.string), file = out)
  cat("variant;place;coefficient;error\n", file = out)
  for (name in names(X)) {
    Z <- if (grepl("index", name)) cbind(1, d$i) else cbind(1, log(d$t))
    f <- fit(X[[name]], Z, y, d$flake)
    cat(sprintf("%s;%d;%s;%s\n", name, seq_along(f$b), format(f$b, digits = 13), format(f$se_b, digits = 13)),
        file = out, sep = "")
    cat(sprintf("%s;spread %d;%s;%s\n", name, 1:2, format(f$c, digits = 13), format(f$se_c, digits = 13)),
        file = out, sep = "")
  }
  close(out)
}
