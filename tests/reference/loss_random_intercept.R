# Whether a random intercept by flake tells the loss of flakes left out better than rows weighted by one over the states
# of their flake (src/calibration/loss.rs).
#
# Run in this folder: Rscript loss_random_intercept.R FOLDER, FOLDER holding the published table retouch-sequences.csv.
# The same terms for all; ten parts of whole flakes, five divisions, everything fitted inside. A flake left out has an
# intercept of its own that is not known, so its variance is part of the interval. lm, lme4's lmer (REML) and nlme's lme
# with a spread that is exponential in the index; the weighted fit with that spread is the one of by_piece.R.
suppressPackageStartupMessages({ library(lme4); library(nlme) })
d <- read.csv(file.path(commandArgs(TRUE), "retouch-sequences.csv"))
d <- d[d$episode > 0, ]
H <- as.matrix(d[sprintf("retouch_height_%d_mm", 1:3)])
T <- as.matrix(d[sprintf("thickness_at_%d_mm", 1:3)])
d$i <- rowMeans(pmin(H / T, 1)); d$i3 <- d$i^3; d$lt <- log(rowMeans(H))
d$lm <- log(d$mass_now_g); d$lT <- log(d$max_thickness_now_mm)
d$y <- log(d$original_mass_g / d$mass_now_g - 1)
d$w <- 1 / ave(d$y, d$flake, FUN = length)
last <- ave(d$episode, d$flake, FUN = max)
stage <- ifelse(d$episode == 1, 1, ifelse(d$episode == last, 3, 2))
form <- y ~ lm + lT + lt + i + i3
terms <- ~ lm + lT + lt + i + i3

by_piece <- function(a) {
  X <- model.matrix(terms, a); Z <- cbind(1, a$i); s2 <- rep(var(a$y), nrow(a))
  for (k in 1:200) {
    m <- lm.wfit(X, a$y, a$w / s2)
    V <- rowSums((X %*% backsolve(qr.R(m$qr), diag(ncol(X))))^2)
    g <- suppressWarnings(glm.fit(Z, m$residuals^2 + V, weights = a$w, family = Gamma("log"), mustart = s2))
    moved <- max(abs(log(g$fitted.values / s2))); s2 <- g$fitted.values
    if (moved < 1e-9) break
  }
  B <- solve(crossprod(X * sqrt(a$w / s2)))
  S <- rowsum(X * (a$w * m$residuals / s2), a$flake); G <- nrow(S)
  list(b = m$coefficients, V = B %*% crossprod(S) %*% B * G / (G - 1), own = function(q) exp(drop(cbind(1, q$i) %*% g$coefficients)))
}
intercept <- function(a) {
  m <- lmer(update(form, . ~ . + (1 | flake)), a, REML = TRUE)
  s <- sigma(m)^2 + as.numeric(VarCorr(m)$flake)
  list(b = fixef(m), V = as.matrix(vcov(m)), own = function(q) rep(s, nrow(q)))
}
slope <- function(a) {
  m <- suppressWarnings(suppressMessages(lmer(update(form, . ~ . + (1 + i | flake)), a, REML = TRUE)))
  D <- matrix(VarCorr(m)$flake, 2)
  list(b = fixef(m), V = as.matrix(vcov(m)),
       own = function(q) sigma(m)^2 + rowSums((cbind(1, q$i) %*% D) * cbind(1, q$i)))
}
with_spread <- function(a) {
  m <- lme(form, random = ~ 1 | flake, weights = varExp(form = ~ i), data = a, control = lmeControl(opt = "optim"))
  u <- as.numeric(VarCorr(m)[1, 1]); k <- as.numeric(coef(m$modelStruct$varStruct, unconstrained = FALSE))
  list(b = fixef(m), V = m$varFix, own = function(q) u + (m$sigma * exp(k * q$i))^2)
}
divisions <- lapply(1:5, function(k) { set.seed(k); setNames(sample(rep(1:10, 10)), unique(d$flake)) })
for (name in c("by_piece", "intercept", "slope", "with_spread")) {
  all <- do.call(rbind, lapply(divisions, function(parts) {
    part <- parts[as.character(d$flake)]
    do.call(rbind, lapply(1:10, function(k) {
      f <- get(name)(d[part != k, ]); q <- d[part == k, ]; X <- model.matrix(terms, q)
      mu <- drop(X %*% f$b); s <- sqrt(f$own(q) + rowSums((X %*% f$V) * X))
      data.frame(at = which(part == k), mid = q$mass_now_g * (1 + exp(mu)), low = q$mass_now_g * (1 + exp(mu - 1.96 * s)),
                 high = q$mass_now_g * (1 + exp(mu + 1.96 * s)), density = dnorm(q$y, mu, s, log = TRUE))
    }))
  }))
  M <- d$original_mass_g[all$at]; now <- d$mass_now_g[all$at]; share <- 1 - now / M; inside <- all$low <= M & M <= all$high
  told <- function(w) {
    w <- w / sum(w); off <- sum(w * abs(all$mid - M)); middle <- sum(w * share)
    sprintf("off by %.2f g, %.2f %%, share r2 %.3f, inside %.1f %%, log score %.4f", off, 100 * sum(w * abs(all$mid / M - 1)),
            1 - sum(w * (1 - now / all$mid - share)^2) / sum(w * (share - middle)^2), 100 * sum(w * inside), -sum(w * all$density))
  }
  cat(name, "\n  each flake: ", told(d$w[all$at]), "\n  each state: ", told(rep(1, nrow(all))), "\n  inside first, between, last ",
      sprintf("%.1f", 100 * tapply(inside, stage[all$at], mean)), "; high over low ", sprintf("%.3f", median(all$high / all$low)), "\n")
}
cat(R.version.string, " lme4 ", as.character(packageVersion("lme4")), " nlme ", as.character(packageVersion("nlme")), "\n")
