# Fits the table named on the command line with lme4, and prints what it took.
# Usage: Rscript mixed_against_lme4.R <table.csv> <number of bootstrap refits>
suppressMessages(library(lme4))
arguments <- commandArgs(trailingOnly = TRUE)
ratings <- read.csv(arguments[1])
ratings$subject <- factor(ratings$subject)
ratings$rater <- factor(ratings$rater)
n_boot <- as.integer(arguments[2])
model <- value ~ 1 + (1 | subject) + (1 | rater)
quick <- lmerControl(calc.derivs = FALSE)
plain <- system.time(fit <- lmer(model, ratings))[["elapsed"]]
bare <- system.time(fit <- lmer(model, ratings, control = quick))[["elapsed"]]
refits <- NA
if (n_boot > 0) {
  sds <- function(m) as.data.frame(VarCorr(m))$sdcor
  refits <- system.time(
    suppressMessages(suppressWarnings(bootMer(fit, sds, nsim = n_boot, seed = 1)))
  )[["elapsed"]] / n_boot
}
parts <- as.data.frame(VarCorr(fit))
variance <- setNames(parts$vcov, parts$grp)
cat(sprintf(
  "%.6f %.6f %.6f %.12g %.12g %.12g %.12g\n", plain, bare, refits,
  variance[["subject"]], variance[["rater"]], variance[["Residual"]],
  as.numeric(logLik(fit))
))
