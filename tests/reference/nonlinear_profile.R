# Writes nonlinear_profile.json beside itself: fits, delta-method predictions and profile intervals by R.
#
#   Rscript nonlinear_profile.R      (made with R 4.2.2; stats, and MASS behind confint)
#
# Problems: Misra1a and DanWood (observations of NIST's nonlinear reference sets) and an invented table of
# flakes, size = a depth^b tan(angle)^c. "confint" is R's own profile interval, which interpolates the profile
# with a spline and so is good to about three digits; "low" and "high" are exact: the fit is repeated with one
# coefficient held, by nls to a relative offset of 1e-6 (which leaves 1e-12 in the sum of squares), and uniroot finds where the profile t meets its quantile.

options(digits = 17)
nist <- list(
  Misra1a = list(
    y = c(10.07, 14.73, 17.94, 23.93, 29.61, 35.18, 40.02, 44.82, 50.76, 55.05, 61.01, 66.40, 75.47, 81.78),
    x = c(77.6, 114.9, 141.1, 190.8, 239.9, 289.0, 332.8, 378.4, 434.8, 477.3, 536.8, 593.1, 689.1, 760.0)),
  DanWood = list(
    y = c(2.138, 3.421, 3.597, 4.340, 4.882, 5.660),
    x = c(1.309, 1.471, 1.490, 1.565, 1.611, 1.680)))
set.seed(90)
flakes <- data.frame(depth = round(runif(24, 3, 14), 1), angle = round(runif(24, 55, 82)))
flakes$tangent <- tan(flakes$angle * pi / 180)
flakes$y <- round(0.35 * flakes$depth^1.6 * flakes$tangent^0.9 + rnorm(24, 0, 2.5), 1)
stopifnot(all(flakes$y > 0))

problems <- list(
  Misra1a = list(form = y ~ b1 * (1 - exp(-b2 * x)), data = as.data.frame(nist$Misra1a),
                 start = list(b1 = 240, b2 = 5.5e-4), new = data.frame(x = 400)),
  DanWood = list(form = y ~ b1 * x^b2, data = as.data.frame(nist$DanWood),
                 start = list(b1 = 0.77, b2 = 3.86), new = data.frame(x = 1.55)),
  flakes = list(form = y ~ a * depth^b * tangent^c, data = flakes,
                start = {
                  lg <- coef(lm(log(y) ~ log(depth) + log(tangent), flakes))
                  list(a = exp(lg[[1]]), b = lg[[2]], c = lg[[3]])
                },
                new = data.frame(depth = 9, tangent = tan(68 * pi / 180))))

tight <- nls.control(maxiter = 500, tol = 1e-6, minFactor = 2^-30)
level <- 0.95

# nls with R's symbolic derivatives, the coefficients named in held fixed at their values.
exact_nls <- function(form, data, start, held = list()) {
  model <- do.call(substitute, list(form[[3]], held))
  f <- deriv(model, names(start), function.arg = c(names(start), setdiff(all.vars(model), names(start))))
  call <- as.call(lapply(c("f", names(formals(f))), as.name))
  formula <- as.formula(call("~", quote(y), call))
  environment(formula) <- list2env(list(f = f), parent = globalenv())
  nls(formula, data, start = start, control = tight)
}

number <- function(v) paste0("[", paste(sprintf("%.17g", v), collapse = ","), "]")

out <- character()
for (name in names(problems)) {
  p <- problems[[name]]
  fit <- exact_nls(p$form, p$data, p$start)
  # nls refuses a step that does not lower the sum of squares, which rounding hides: finish by undamped QR steps.
  f <- deriv(p$form[[3]], names(p$start), function.arg = c(names(p$start), names(p$data)))
  est <- coef(fit)
  for (i in 1:8) {
    v <- do.call(f, c(as.list(est), p$data))
    est <- est + qr.coef(qr(attr(v, "gradient")), p$data$y - v)
  }
  v <- do.call(f, c(as.list(est), p$data))
  rss <- sum((p$data$y - v)^2)
  df <- df.residual(fit)
  s2 <- rss / df
  t <- qt(1 - (1 - level) / 2, df)
  V <- s2 * chol2inv(qr.R(qr(attr(v, "gradient"))))
  se <- sqrt(diag(V))
  rise <- function(k, v) {
    held <- setNames(list(v), names(est)[k])
    start <- est[-k] + V[-k, k] / V[k, k] * (v - est[[k]])
    sum(resid(exact_nls(p$form, p$data, as.list(start), held))^2)
  }
  end <- function(k, sign) {
    # The squared profile t less its quantile squared, from the estimate outwards.
    f <- function(d) (rise(k, est[[k]] + sign * d * se[[k]]) - rss) / s2 - t^2
    est[[k]] + sign * uniroot(f, c(0.7 * t, 1.4 * t), tol = 1e-13, extendInt = "upX")$root * se[[k]]
  }
  low <- sapply(seq_along(est), end, sign = -1)
  high <- sapply(seq_along(est), end, sign = 1)
  ci <- suppressMessages(confint(nls(p$form, p$data, start = as.list(est)), level = level))
  # Delta method: derivatives of the fitted value by R's symbolic differentiation.
  g <- attr(eval(deriv(p$form[[3]], names(est)), c(as.list(est), as.list(p$new))), "gradient")[1, ]
  value <- eval(p$form[[3]], c(as.list(est), as.list(p$new)))
  mean_sd <- sqrt(drop(g %*% V %*% g))
  out <- c(out, sprintf(
    paste0('"%s": {"y": %s, "x": %s, "start": %s, "coefficients": %s, "standard_errors": %s, "rss": %.17g, ',
           '"level": %g, "t": %.17g, "low": %s, "high": %s, "confint_low": %s, "confint_high": %s, ',
           '"new": %s, "value": %.17g, "mean_sd": %.17g, "new_sd": %.17g}'),
    name, number(p$data$y),
    paste0("[", paste(apply(if (name == "flakes") as.matrix(flakes[, c("depth", "angle")]) else
      as.matrix(p$data["x"]), 1, number), collapse = ","), "]"),
    number(unlist(p$start)), number(est), number(se), rss, level, t, number(low), number(high),
    number(ci[, 1]), number(ci[, 2]),
    number(if (name == "flakes") c(9, 68) else p$new$x), value, mean_sd, sqrt(mean_sd^2 + s2)))
}
here <- dirname(sub("--file=", "", grep("--file=", commandArgs(FALSE), value = TRUE)))
writeLines(c("{", sprintf('"r": "%s",', R.version.string), paste0(out, c(rep(",", length(out) - 1), "")), "}"),
           file.path(here, "nonlinear_profile.json"))
