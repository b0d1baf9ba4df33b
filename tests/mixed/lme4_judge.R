# Fits one table with lme4 and prints components, log likelihood and fixed part.
# Usage: Rscript lme4_judge.R <table.csv> <model> <reml or ml>, model one of the names below.
suppressMessages(library(lme4))
arguments <- commandArgs(trailingOnly = TRUE)
models <- list(
  crossed = value ~ 1 + (1 | subject) + (1 | rater),
  interaction = value ~ 1 + (1 | subject) + (1 | rater) + (1 | subject:rater),
  nested = value ~ 1 + (1 | subject) + (1 | subject:rater),
  covariate = value ~ covariate + (1 | subject) + (1 | rater)
)
tables <- read.csv(arguments[1])
for (name in c("subject", "rater")) tables[[name]] <- factor(tables[[name]])
fit_one <- function(rows) {
  suppressMessages(suppressWarnings(
    lmer(models[[arguments[2]]], rows, REML = arguments[3] == "reml",
         control = lmerControl(optCtrl = list(xtol_abs = 1e-10, ftol_abs = 1e-12)))
  ))
}
for (rows in split(tables, tables$table)) {
  fit <- fit_one(droplevels(rows))
  parts <- as.data.frame(VarCorr(fit))
  variance <- setNames(parts$vcov, parts$grp)
  order <- c(intersect(c("subject", "rater", "subject:rater"), names(variance)), "Residual")
  cat(sprintf("%.12g", c(variance[order], as.numeric(logLik(fit)), fixef(fit),
                         sqrt(diag(as.matrix(vcov(fit)))))), "\n")
}
