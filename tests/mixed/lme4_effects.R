# Prints the predicted rater effects of value ~ 1 + (1|subject) + (1|rater), and the mean's.
suppressMessages(library(lme4))
rows <- read.csv(commandArgs(trailingOnly = TRUE)[1])
fit <- lmer(value ~ 1 + (1 | subject) + (1 | rater), rows, control = lmerControl(
  optimizer = "bobyqa", optCtrl = list(rhoend = 1e-10)))
found <- ranef(fit)$rater
cat(rownames(found), "\n")
cat(format(found[, 1], digits = 12), "\n")
