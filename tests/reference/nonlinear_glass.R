# Prints the figures that tests/real_data/nonlinear.rs compares with: mass_g = a depth^b tan(angle)^c on the
# glass table and on the flint table, flakes with all three recorded and an exterior platform angle below 90.
#
#   CONCHOID_DATA=folder Rscript nonlinear_glass.R      (made with R 4.2.2)
#
# nls with symbolic derivatives, finished by undamped QR steps.
for (file in c("glass-controlled.csv", "flint-replication.csv")) {
  d <- read.csv(file.path(Sys.getenv("CONCHOID_DATA"), file))
  d <- data.frame(y = d$mass_g, x = d$platform_depth_mm, v = d$exterior_platform_angle_deg)
  d <- d[complete.cases(d) & d$v < 90 & d$v > 0 & d$x > 0 & d$y > 0, ]
  d$tangent <- tan(d$v * pi / 180)
  lg <- coef(lm(log(y) ~ log(x) + log(tangent), d))
  start <- list(a = exp(lg[[1]]), b = lg[[2]], c = lg[[3]])
  est <- coef(nls(y ~ a * x^b * tangent^c, d, start = start, control = nls.control(maxiter = 500)))
  f <- deriv(~ a * x^b * tangent^c, names(start), function.arg = c(names(start), "x", "tangent"))
  at <- function(est) do.call(f, c(as.list(est), list(x = d$x, tangent = d$tangent)))
  for (i in 1:60) est <- est + qr.coef(qr(attr(at(est), "gradient")), d$y - at(est))
  rss <- sum((d$y - at(est))^2)
  V <- rss / (nrow(d) - 3) * chol2inv(qr.R(qr(attr(at(est), "gradient"))))
  cat(file, nrow(d), "rows\n  start", sprintf("%.12g", unlist(start)), "\n  coefficients", sprintf("%.12g", est),
      "\n  standard errors", sprintf("%.12g", sqrt(diag(V))), "\n  rss", sprintf("%.12g", rss), "\n")
}
