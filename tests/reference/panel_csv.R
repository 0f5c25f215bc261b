# Reference values for the crossed model of a panel's exported answers, by R alone (R 4.2.2 with lme4 and psyphy from Debian 12):
#
#     EARWITNESS_BLESS=1 cargo test --test main report::tables::the_crossed_model   # writes the table to target/panel.csv
#     Rscript panel_csv.R ../../target/panel.csv > panel_csv.json
#
# The table is what `report --csv` writes, loaded as any reader would. The output stands beside this script: generated, do not edit.

table <- read.csv(commandArgs(TRUE)[1], na.strings = "", colClasses = "character")
d <- subset(table, counted == "TRUE")
d$correct <- as.integer(d$correct)
m <- length(unique(d$right_answer))
right <- aggregate(correct ~ listener + clip + comparison, d, sum)
right$trials <- aggregate(correct ~ listener + clip + comparison, d, length)$correct
formula <- cbind(correct, trials - correct) ~ 0 + comparison + (1 | listener) + (1 | clip)
fitted <- suppressWarnings(lme4::glmer(formula, data = right, family = binomial(psyphy::mafc.logit(m)), nAGQ = 1,
  control = lme4::glmerControl(optimizer = "Nelder_Mead", optCtrl = list(maxfun = 20000), tolPwrss = 1e-10)))
deviations <- as.data.frame(lme4::VarCorr(fitted))
sd_of <- function(group) deviations$sdcor[deviations$grp == group]
row <- function(numbers) paste0("[", paste(format(numbers, digits = 12, trim = TRUE), collapse = ", "), "]")
cells <- sprintf('["%s", "%s", "%s", %d, %d]', right$listener, right$clip, right$comparison, right$correct, right$trials)
cat(sprintf('{"cells": [%s],\n "comparisons": ["%s"],\n "log_odds": %s,\n "listeners": %s,\n "clips": %s,\n "ln_likelihood": %s}\n',
  paste(cells, collapse = ", "), paste(sub("comparison", "", names(lme4::fixef(fitted))), collapse = '", "'),
  row(lme4::fixef(fitted)), format(sd_of("listener"), digits = 12), format(sd_of("clip"), digits = 12),
  format(as.numeric(logLik(fitted)), digits = 12)))
