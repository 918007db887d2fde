# The Kolmogorov-Smirnov statistic by R. Run in this folder after comparison.py: Rscript comparison.R
d <- read.csv("comparison_sets.csv")
k <- suppressWarnings(ks.test(d$mass_g[d$set == "a"], d$mass_g[d$set == "b"]))
writeLines(c(paste0("# ", R.version.string), "what,value", paste0("ks,", format(unname(k$statistic), digits = 17))),
           "comparison_R.csv")
