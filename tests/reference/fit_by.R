# A shift of ln mass by percussor on the invented table of the field school, for `fit --by` of the command line.
# Run from the top of the project: Rscript tests/reference/fit_by.R > tests/reference/fit_by.csv
school <- read.csv("examples/data/field-school.csv")
fit <- lm(log(mass_g) ~ log(platform_depth_mm) + exterior_platform_angle_deg + (percussor == "quartzite"),
          data = school)
cat("#", R.version.string, "tests/reference/fit_by.R\n")
cat("term,value,standard_error\n")
names <- c("intercept", "ln platform_depth_mm", "exterior_platform_angle_deg", "percussor = quartzite")
s <- summary(fit)$coefficients
for (i in 1:4) cat(names[i], sprintf("%.17g", s[i, 1]), sprintf("%.17g", s[i, 2]), sep = ",", fill = TRUE)
