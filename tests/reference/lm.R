# Least squares references from R's lm, written to tests/reference/lm.json.
#
# Run from the project root:  Rscript tests/reference/lm.R DATA_FOLDER
# DATA_FOLDER holds flint-replication.csv, quartzite-by-core.csv and glass-controlled.csv, which are not part
# of the project. The invented table examples/data/field-school.csv is. Only coefficients, sums and row
# diagnostics by row number are written; no row of a measured table is.
#
# Numbers carry 17 significant digits, so that reading them back gives the same doubles.

arguments <- commandArgs(trailingOnly = TRUE)
if (length(arguments) != 1) stop("usage: Rscript tests/reference/lm.R DATA_FOLDER")
read <- function(path) read.csv(path, stringsAsFactors = FALSE, na.strings = "")
flint <- read(file.path(arguments[1], "flint-replication.csv"))
quartzite <- read(file.path(arguments[1], "quartzite-by-core.csv"))
glass <- read(file.path(arguments[1], "glass-controlled.csv"))
school <- read("examples/data/field-school.csv")

# A small JSON writer: named lists become objects, unnamed lists and longer vectors arrays.
json <- function(x, depth = 0) {
  pad <- strrep("  ", depth + 1)
  if (is.null(x)) return("null")
  if (is.matrix(x)) x <- lapply(seq_len(nrow(x)), function(i) unname(x[i, ]))
  if (is.list(x)) {
    if (!length(x)) return("[]")
    parts <- vapply(x, json, "", depth = depth + 1)
    named <- !is.null(names(x))
    if (named) parts <- paste0("\"", names(x), "\": ", parts)
    open <- if (named) "{" else "["
    close <- if (named) "}" else "]"
    return(paste0(open, "\n", pad, paste(parts, collapse = paste0(",\n", pad)), "\n", strrep("  ", depth), close))
  }
  text <- if (is.character(x)) paste0("\"", gsub("\"", "\\\\\"", x), "\"")
    else if (is.logical(x)) tolower(as.character(x))
    else sprintf("%.17g", x)
  if (length(text) == 1 && !inherits(x, "AsIs")) text else paste0("[", paste(text, collapse = ", "), "]")
}

# Terms are columns computed before fitting, so that their names in the output say what they are.
terms_of <- list(
  ln_platform_depth_mm = function(d) log(d$platform_depth_mm),
  ln_platform_width_mm = function(d) log(d$platform_width_mm),
  ln_platform_area_mm2 = function(d) log(d$platform_area_mm2),
  log10_platform_depth_mm = function(d) log10(d$platform_depth_mm),
  log10_platform_area_mm2 = function(d) log10(d$platform_area_mm2),
  log10_max_thickness_mm = function(d) log10(d$max_thickness_mm),
  mean_thickness_mm = function(d) d$mean_thickness_mm,
  dorsal_scars = function(d) d$dorsal_scars,
  dorsal_cortex_1_to_5 = function(d) d$dorsal_cortex_1_to_5,
  platform_depth_mm = function(d) d$platform_depth_mm,
  exterior_platform_angle_deg = function(d) d$exterior_platform_angle_deg,
  angle_times_depth = function(d) d$exterior_platform_angle_deg * d$platform_depth_mm,
  angle_of_blow_deg = function(d) d$angle_of_blow_deg,
  class_organic = function(d) {
    ifelse(is.na(d$percussor), NA, as.numeric(d$percussor %in% c("antler", "bone", "wood")))
  },
  blow_lands_on_edge = function(d) as.numeric(d$blow_lands_on == "edge")
)
transforms <- list(
  ln = log, log10 = log10, cube_root = function(m) m^(1 / 3)
)

design <- function(table, terms) {
  columns <- lapply(terms, function(t) terms_of[[t]](table))
  names(columns) <- terms
  as.data.frame(columns)
}

sums <- function(v) list(sum = sum(v), sum_of_absolutes = sum(abs(v)), sum_of_squares = sum(v^2))

fit_one <- function(name, file, table, transform, terms, points, weight_column = NULL, weights = NULL) {
  x <- design(table, terms)
  y <- transforms[[transform]](table$mass_g)
  keep <- which(complete.cases(x) & !is.na(y))
  frame <- cbind(data.frame(.y = y[keep]), x[keep, , drop = FALSE])
  w <- if (is.null(weights)) rep(1, length(keep)) else weights[keep]
  formula <- reformulate(terms, ".y")
  frame$.w <- w
  fit <- if (is.null(weights)) lm(formula, frame) else lm(formula, frame, weights = .w)
  s <- summary(fit)
  hat <- unname(hatvalues(fit))
  cooks <- unname(cooks.distance(fit))
  internal <- unname(rstandard(fit))
  external <- unname(rstudent(fit))
  residual <- unname(residuals(fit))
  out <- residual / (1 - hat)
  chosen <- c(first = 1, last = length(keep), max_leverage = which.max(hat), max_cooks_distance = which.max(cooks))
  rows <- lapply(names(chosen), function(k) {
    i <- chosen[[k]]
    list(which = k, row = keep[i], leverage = hat[i], cooks_distance = cooks[i],
         internally_studentised = internal[i], externally_studentised = external[i],
         residual = residual[i], left_out_residual = out[i])
  })
  at <- design(points, terms)
  predictions <- lapply(seq_len(nrow(points)), function(i) {
    new <- at[i, , drop = FALSE]
    one <- function(kind, level) suppressWarnings(predict(fit, new, interval = kind, level = level, weights = 1))
    mean_95 <- one("confidence", 0.95); new_95 <- one("prediction", 0.95)
    new_50 <- one("prediction", 0.5); new_999 <- one("prediction", 0.999)
    measured <- points[i, setdiff(names(points), "point"), drop = FALSE]
    list(point = points$point[i], at = as.list(measured), fit = mean_95[[1]],
         se_fit = predict(fit, new, se.fit = TRUE)$se.fit[[1]],
         mean_95 = mean_95[2:3], prediction_95 = new_95[2:3],
         prediction_50 = new_50[2:3], prediction_999 = new_999[2:3])
  })
  list(
    name = name, table = file, response = "mass_g", transform = transform,
    terms = I(c("(Intercept)", terms)), weights = if (is.null(weights)) "none" else weight_column,
    n = length(keep), rows_dropped = nrow(table) - length(keep),
    coefficients = unname(coef(fit)), standard_errors = unname(s$coefficients[, 2]),
    covariance = unname(vcov(fit)), sigma = s$sigma, df_residual = fit$df.residual,
    residual_sum_of_squares = sum(w * residual^2),
    r_squared = s$r.squared, adjusted_r_squared = s$adj.r.squared,
    log_likelihood = as.numeric(logLik(fit)), aic = AIC(fit), bic = BIC(fit),
    press = sum(out^2), press_weighted = sum(w * out^2),
    predictions = predictions, rows = rows,
    over_all_rows = list(
      leverage = sums(hat), cooks_distance = sums(cooks), internally_studentised = sums(internal),
      externally_studentised = sums(external), left_out_residual = sums(out)
    )
  )
}

# Where to predict: round numbers chosen by hand, the last beyond the tables.
named <- c("shallow", "middle", "deep", "obtuse", "beyond")
flint_points <- data.frame(
  point = named, platform_depth_mm = c(2, 7, 15, 8, 40), exterior_platform_angle_deg = c(60, 75, 70, 105, 120),
  platform_area_mm2 = c(20, 90, 300, 110, 1500), mean_thickness_mm = c(4, 9, 16, 10, 40),
  max_thickness_mm = c(5.5, 12, 21, 14, 55), dorsal_scars = c(2, 2, 1, 3, 0), dorsal_cortex_1_to_5 = c(5, 4, 2, 5, 1)
)
quartzite_points <- data.frame(
  point = named, platform_depth_mm = c(2, 6, 12, 7, 40), exterior_platform_angle_deg = c(70, 90, 80, 120, 160),
  platform_width_mm = c(8, 22, 45, 25, 150)
)
glass_points <- data.frame(
  point = named, platform_depth_mm = c(2, 6, 11, 7, 40), exterior_platform_angle_deg = c(65, 65, 75, 95, 120),
  angle_of_blow_deg = c(0, 20, 10, 30, 60), percussor = c("steel", "steel", "copper", "bone", "bone"),
  blow_lands_on = c("platform", "edge", "platform", "platform", "edge")
)
school_points <- data.frame(
  point = named, platform_depth_mm = c(2.5, 5, 9, 6, 30), exterior_platform_angle_deg = c(60, 75, 70, 95, 120),
  platform_width_mm = c(6, 13, 24, 15, 90), angle_of_blow_deg = c(10, 15, 20, 25, 60),
  percussor = c("quartzite", "antler", "quartzite", "antler", "antler"),
  blow_lands_on = c("platform", "edge", "platform", "platform", "edge")
)

depth <- "ln_platform_depth_mm"
angle <- "exterior_platform_angle_deg"
published <- c("mean_thickness_mm", "log10_max_thickness_mm", "dorsal_scars", "dorsal_cortex_1_to_5", angle,
               "log10_platform_area_mm2", "log10_platform_depth_mm")
f <- "flint-replication.csv"; q <- "quartzite-by-core.csv"; g <- "glass-controlled.csv"; c24 <- "field-school.csv"
models <- list(
  fit_one("flint-log-log", f, flint, "ln", c(depth, angle), flint_points),
  fit_one("flint-area", f, flint, "ln", "ln_platform_area_mm2", flint_points),
  fit_one("flint-area-angle", f, flint, "log10", c("log10_platform_area_mm2", angle), flint_points),
  fit_one("flint-cube-root", f, flint, "cube_root", c(angle, "platform_depth_mm", "angle_times_depth"), flint_points),
  fit_one("flint-seven", f, flint, "log10", published, flint_points),
  fit_one("flint-log-log-weighted", f, flint, "ln", c(depth, angle), flint_points,
          "1 + dorsal_scars", 1 + flint$dorsal_scars),
  fit_one("quartzite-log-log-width", q, quartzite, "ln", c(depth, angle, "ln_platform_width_mm"), quartzite_points),
  fit_one("glass-log-log-blow", g, glass, "ln",
          c(depth, angle, "angle_of_blow_deg", "class_organic", "blow_lands_on_edge"), glass_points),
  fit_one("field-school-log-log", c24, school, "ln", c(depth, angle), school_points),
  fit_one("field-school-percussor", c24, school, "ln",
          c(depth, angle, "ln_platform_width_mm", "angle_of_blow_deg", "class_organic", "blow_lands_on_edge"),
          school_points),
  fit_one("field-school-cube-root", c24, school, "cube_root",
          c(angle, "platform_depth_mm", "angle_times_depth"), school_points),
  fit_one("field-school-log-log-weighted", c24, school, "ln", c(depth, angle), school_points,
          "platform_width_mm", school$platform_width_mm)
)

# The published seven-predictor figures (r2 0.78, cross-validated RMSE 0.21, MAE 0.17 on log10 grams, n = 500)
# on the shared three quarters: ten folds, fifty times over, averaged over folds.
set.seed(500)
x <- cbind(data.frame(.y = log10(flint$mass_g)), design(flint, published))
scores <- replicate(50, {
  fold <- sample(rep(1:10, length.out = nrow(x)))
  rowMeans(vapply(1:10, function(k) {
    miss <- x$.y[fold == k] - predict(lm(.y ~ ., x[fold != k, ]), x[fold == k, ])
    c(sqrt(mean(miss^2)), mean(abs(miss)), 1 - sum(miss^2) / sum((x$.y[fold == k] - mean(x$.y[fold == k]))^2))
  }, numeric(3)))
})
published_check <- list(
  model = "flint-seven", n = nrow(x), folds = 10, repeats = 50,
  r_squared_in_sample = summary(lm(.y ~ ., x))$r.squared,
  cross_validated_rmse = mean(scores[1, ]), cross_validated_mae = mean(scores[2, ]),
  cross_validated_r_squared = mean(scores[3, ]),
  cross_validated_rmse_sd_over_repeats = sd(scores[1, ]), cross_validated_mae_sd_over_repeats = sd(scores[2, ])
)

writeLines(json(list(
  made_by = "tests/reference/lm.R", r_version = R.version.string,
  blas = basename(extSoftVersion()[["BLAS"]]), lapack = La_version(),
  models = models, published_flint = published_check
)), "tests/reference/lm.json")
