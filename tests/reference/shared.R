# Predictions for new and known groups, and slopes that differ between groups, by lme4 (REML): the variances from lme4,
# the variance of the error of a prediction from dense matrices (Henderson 1975, Biometrics 31:423),
#   w'Gw - w'GZ'V^-1 ZGw + d'(X'V^-1 X)^-1 d,   d = x - X'V^-1 ZGw.
#   Rscript shared.R [folder of the shared tables] > shared.csv
# Reads grouped_nested.csv (made by grouped.R). Without the folder the quartzite case is left out.
suppressPackageStartupMessages(library(lme4))
options(digits = 17)
cat("# made with ", R.version.string, ", lme4 ", as.character(packageVersion("lme4")), "\n", sep = "")
cat("case,quantity,name,value\n")
put <- function(case, quantity, name, value) cat(sprintf("%s,%s,%s,%.17g\n", case, quantity, name, value), sep = "")

# lme4's optimum, polished by Newton steps on its deviance function by central differences
polished <- function(formula, data) {
  l <- lFormula(formula, data, REML = TRUE)
  f <- do.call(mkLmerDevfun, l)
  o <- optimizeLmer(f, control = list(rhoend = 1e-9), optimizer = "bobyqa")
  par <- o$par
  k <- length(par)
  for (step in 1:6) {
    h <- 1e-4
    g <- sapply(1:k, function(i) { d <- replace(rep(0, k), i, h)
      (8 * (f(par + d) - f(par - d)) - (f(par + 2 * d) - f(par - 2 * d))) / (12 * h) })
    H <- matrix(0, k, k)
    hh <- 1e-3
    for (i in 1:k) for (j in 1:k) { di <- replace(rep(0, k), i, hh); dj <- replace(rep(0, k), j, hh)
      H[i, j] <- (f(par + di + dj) - f(par + di - dj) - f(par - di + dj) + f(par - di - dj)) / (4 * hh^2) }
    par <- par - solve(H, g)
  }
  mkMerMod(environment(f), list(par = par, fval = f(par), conv = 0, message = ""), l$reTrms, l$fr)
}

report <- function(case, formula, data, platforms, known, groups) {
  m <- polished(formula, data)
  put(case, "coefficient", names(fixef(m)), fixef(m))
  put(case, "standard error", names(fixef(m)), sqrt(diag(as.matrix(vcov(m)))))
  put(case, "sd", "residual", sigma(m))
  v <- VarCorr(m)
  for (n in names(v)) for (i in seq_len(nrow(v[[n]]))) for (j in seq_len(i))
    put(case, paste("covariance", n), paste(i, j), v[[n]][i, j])
  X <- getME(m, "X"); Z <- as.matrix(getME(m, "Z")); y <- getME(m, "y")
  G <- sigma(m)^2 * as.matrix(tcrossprod(getME(m, "Lambda")))
  V <- sigma(m)^2 * diag(length(y)) + Z %*% G %*% t(Z)
  Vi <- solve(V); Phi <- solve(t(X) %*% Vi %*% X)
  b <- G %*% t(Z) %*% Vi %*% (y - X %*% fixef(m))
  names <- unlist(lapply(names(getME(m, "flist")), function(n)
    rep(levels(getME(m, "flist")[[n]]), each = nrow(v[[n]]))))
  of <- rep(names(getME(m, "flist")), sapply(names(getME(m, "flist")), function(n)
    nlevels(getME(m, "flist")[[n]]) * nrow(v[[n]])))
  for (p in seq_len(nrow(platforms))) {
    x <- c(1, log(platforms$depth_mm[p]), platforms$angle_deg[p])
    for (k in seq_len(nrow(known))) {
      w <- rep(0, length(b)); fresh <- 0
      for (g in groups) {
        weights <- x[seq_len(nrow(v[[g]]))]
        at <- which(of == g & names == known[[g]][k])
        if (length(at) == 0) fresh <- fresh + c(t(weights) %*% v[[g]] %*% weights) else w[at] <- weights
      }
      d <- x - t(X) %*% Vi %*% Z %*% G %*% w
      error <- t(w) %*% G %*% w - t(w) %*% G %*% t(Z) %*% Vi %*% Z %*% G %*% w + t(d) %*% Phi %*% d
      name <- paste(c(platforms$depth_mm[p], platforms$angle_deg[p], unlist(known[k, ])), collapse = "|")
      put(case, "location", name, sum(x * fixef(m)) + sum(w * b))
      put(case, "scale", name, sqrt(sigma(m)^2 + fresh + error))
    }
  }
}

nested <- read.csv("grouped_nested.csv")
nested$core <- as.character(nested$core)
platforms <- data.frame(depth_mm = c(4, 9, 20), angle_deg = c(65, 80, 90))
f <- ln_mass ~ log(depth_mm) + angle_deg
some <- unique(nested[, c("student", "core")])[c(1, 4, 9, 15), ]
report("one level", update(f, . ~ . + (1 | core)), nested, platforms,
       data.frame(core = c("", some$core)), "core")
report("two levels", update(f, . ~ . + (1 | student) + (1 | core)), nested, platforms,
       data.frame(student = c("", "Avis", "Dunn", some$student), core = c("", "", "", some$core)), c("student", "core"))

# students whose slopes differ: an invented table of its own (seeded)
RNGkind("Mersenne-Twister", "Inversion", "Rejection")
set.seed(5)
rows <- list()
for (k in 1:18) {
  u <- rnorm(2) %*% chol(matrix(c(0.30, -0.12, -0.12, 0.20), 2))
  for (i in 1:(10 + k %% 5)) {
    depth <- round(exp(rnorm(1, 1.9, 0.6)), 1); angle <- 5 * round(runif(1, 55, 95) / 5)
    rows[[length(rows) + 1]] <- data.frame(student = paste0("S", k), depth_mm = depth, angle_deg = angle,
      ln_mass = round(-1.4 + 1.7 * log(depth) + 0.012 * angle + u[1] + u[2] * log(depth) + rnorm(1, 0, 0.3), 4))
  }
}
slopes <- do.call(rbind, rows)
write.csv(slopes, "shared_slopes.csv", row.names = FALSE, quote = FALSE)
report("slopes", update(f, . ~ . + (1 + log(depth_mm) | student)), slopes, platforms,
       data.frame(student = c("", "S1", "S7", "S18")), "student")

folder <- commandArgs(TRUE)
if (length(folder) == 1) {
  q <- subset(read.csv(file.path(folder, "quartzite-by-core.csv")), !is.na(exterior_platform_angle_deg))
  names(q)[names(q) == "exterior_platform_angle_deg"] <- "angle_deg"
  names(q)[names(q) == "platform_depth_mm"] <- "depth_mm"
  q$core <- as.character(q$core)
  report("quartzite", log(mass_g) ~ log(depth_mm) + angle_deg + (1 | core), q, platforms,
         data.frame(core = c("", unique(q$core)[c(1, 7, 20)])), "core")
}
