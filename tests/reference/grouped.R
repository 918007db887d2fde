# Reference values for random intercepts (one and two levels), REML and ML, from lme4 and nlme.
#   Rscript grouped.R [folder of the shared tables] > grouped.csv
# Writes grouped_nested.csv, an invented table (seeded) of ln mass of flint flakes: a field school on chalk
# downland, six students, three to five cores each. Without the folder the quartzite cases are left out.
# Made with R 4.2.2, lme4 1.1.31, nlme 3.1.162.
suppressPackageStartupMessages({library(lme4); library(nlme)})
options(digits = 17)

RNGkind("Mersenne-Twister", "Inversion", "Rejection")
set.seed(20)
students <- c("Avis", "Brock", "Cleo", "Dunn", "Elm", "Fenn")
rows <- list()
flat <- c()
for (k in seq_along(students)) {
  v <- rnorm(1, 0, 0.35)
  for (c in seq_len(3 + k %% 3)) {
    u <- rnorm(1, 0, 0.25)
    for (i in seq_len(sample(2:9, 1))) {
      depth <- round(exp(rnorm(1, 1.9, 0.45)), 1)
      angle <- 5 * round(runif(1, 55, 95) / 5)
      y <- -1.4 + 1.7 * log(depth) + 0.012 * angle + v + u + rnorm(1, 0, 0.4)
      rows[[length(rows) + 1]] <- data.frame(student = students[k], core = paste0(students[k], c),
        depth_mm = depth, angle_deg = angle, ln_mass = round(y, 4))
    }
  }
}
nested <- do.call(rbind, rows)
# A second response whose cores are more alike than chance: the variance between them is estimated as zero.
e <- rnorm(nrow(nested), 0, 0.4)
e <- e - 0.9 * ave(e, nested$core)
nested$ln_mass_alike <- round(-1.4 + 1.7 * log(nested$depth_mm) + 0.012 * nested$angle_deg + e, 4)
write.csv(nested, "grouped_nested.csv", row.names = FALSE, quote = FALSE)

cat("case,source,quantity,name,value\n")
put <- function(case, source, quantity, name, value)
  cat(sprintf("%s,%s,%s,%s,%.17g\n", case, source, quantity, name, value), sep = "")

# lme4's own optimiser, then Newton steps on its deviance function by central differences, so that the
# reference is at the optimum to more digits than any stopping rule of the optimiser gives.
polished <- function(formula, data, reml) {
  l <- lFormula(formula, data, REML = reml)
  f <- do.call(mkLmerDevfun, l)
  o <- optimizeLmer(f, control = list(rhoend = 1e-9), optimizer = "bobyqa")
  par <- o$par
  k <- length(par)
  if (all(par > 1e-3)) for (step in 1:6) {
    h <- 1e-4
    g <- sapply(1:k, function(i) { d <- replace(rep(0, k), i, h)
      (8 * (f(par + d) - f(par - d)) - (f(par + 2 * d) - f(par - 2 * d))) / (12 * h) })
    H <- matrix(0, k, k)
    hh <- 1e-3
    for (i in 1:k) for (j in 1:k) { di <- replace(rep(0, k), i, hh); dj <- replace(rep(0, k), j, hh)
      H[i, j] <- (f(par + di + dj) - f(par + di - dj) - f(par - di + dj) + f(par - di - dj)) / (4 * hh^2) }
    par <- par - solve(H, g)
  } else par[par < 1e-3] <- 0
  value <- f(par)
  mkMerMod(environment(f), list(par = par, fval = value, conv = 0, message = ""), l$reTrms, l$fr)
}

report <- function(case, formula, data, reml, effects = TRUE) {
  m <- polished(formula, data, reml)
  put(case, "lme4", "criterion", "", if (reml) REMLcrit(m) else deviance(m, REML = FALSE))
  b <- fixef(m); put(case, "lme4", "coefficient", names(b), b)
  s <- sqrt(diag(as.matrix(vcov(m)))); put(case, "lme4", "standard error", names(b), s)
  put(case, "lme4", "sd", "residual", sigma(m))
  v <- VarCorr(m); for (n in names(v)) put(case, "lme4", "sd", n, attr(v[[n]], "stddev"))
  if (effects) for (n in names(ranef(m))) {
    r <- ranef(m, condVar = TRUE)[[n]]
    put(case, "lme4", paste("effect", n), sub(":.*", "", rownames(r)), r[, 1])
    put(case, "lme4", paste("effect sd", n), sub(":.*", "", rownames(r)), sqrt(attr(r, "postVar")[1, 1, ]))
  }
  invisible(m)
}
by_nlme <- function(case, fixed, random, data, reml) {
  m <- lme(fixed, data, random, method = if (reml) "REML" else "ML",
    control = lmeControl(opt = "optim", tolerance = 1e-12, msTol = 1e-14, maxIter = 500, msMaxIter = 500,
                         niterEM = 200, reltol = 1e-15))
  put(case, "nlme", "criterion", "", -2 * as.numeric(logLik(m)))
  b <- fixef(m); put(case, "nlme", "coefficient", names(b), b)
  put(case, "nlme", "sd", "residual", sigma(m))
}

f <- ln_mass ~ log(depth_mm) + angle_deg
report("two levels REML", update(f, . ~ . + (1 | core) + (1 | student)), nested, TRUE)
report("two levels ML", update(f, . ~ . + (1 | core) + (1 | student)), nested, FALSE)
by_nlme("two levels REML", f, ~ 1 | student / core, nested, TRUE)
by_nlme("two levels ML", f, ~ 1 | student / core, nested, FALSE)
report("one level REML", update(f, . ~ . + (1 | core)), nested, TRUE)
report("one level ML", update(f, . ~ . + (1 | core)), nested, FALSE)
by_nlme("one level REML", f, ~ 1 | core, nested, TRUE)
report("boundary REML", ln_mass_alike ~ log(depth_mm) + angle_deg + (1 | core), nested, TRUE)

folder <- commandArgs(TRUE)
if (length(folder) == 1) {
  quartzite <- subset(read.csv(file.path(folder, "quartzite-by-core.csv")), !is.na(exterior_platform_angle_deg))
  names(quartzite)[4:6] <- c("depth_mm", "breadth_mm", "angle_deg")
  q <- log(mass_g) ~ log(depth_mm) + angle_deg
  report("quartzite REML", update(q, . ~ . + (1 | core)), quartzite, TRUE)
  report("quartzite ML", update(q, . ~ . + (1 | core)), quartzite, FALSE)
  by_nlme("quartzite REML", q, ~ 1 | core, quartzite, TRUE)
  report("quartzite width REML", update(q, . ~ . + log(breadth_mm) + (1 | core)), quartzite, TRUE)
}
