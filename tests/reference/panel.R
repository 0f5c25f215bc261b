# Reference values for panels, by R alone (R 4.2.2 with lme4 and psyphy from Debian 12). Nothing of Earwitness is used.
#   Rscript tests/reference/panel.R > tests/reference/panel.json
#
# Beta-binomial with guessing rate: Brockhoff, Food Quality and Preference 14 (2003) 405-417; the likelihood is integrated
# numerically here, where Earwitness sums it in closed form. Profile limits: Barndorff-Nielsen & Cox (1994).
# Mixture of listeners who hear it and listeners who guess: two binomial components, the guessers' known.
# Group-sequential looks: Lan & DeMets, Biometrika 70 (1983) 659-663, spending function of the O'Brien-Fleming kind; the
# tails come from convolution of binomial distributions.

panels <- list(
  spread = list(chance = 1/3, trials = 18, right = c(6, 9, 5, 12, 7, 6, 10, 15, 8, 6, 5, 7, 11, 9, 6, 14, 8, 7, 5, 9)),
  two_hear = list(chance = 1/2, trials = 16, right = c(16, 15, 8, 9, 7, 8, 6, 10, 9, 8, 7, 8, 9, 10, 7, 6, 8, 9, 8, 7)),
  small = list(chance = 1/2, trials = 12, right = c(7, 11, 6, 9, 12, 8)))

betabinomial <- function(mu, gamma, panel) {
  sum <- 1/gamma - 1
  one <- function(x) {
    # Over the quantiles of the beta distribution, so that nothing is singular at the ends.
    f <- function(u) dbinom(x, panel$trials, panel$chance + (1 - panel$chance) * qbeta(u, mu * sum, (1 - mu) * sum))
    integrate(f, 0, 1, rel.tol = 1e-9, subdivisions = 2000, stop.on.error = FALSE)$value
  }
  table <- table(panel$right)
  sum(as.numeric(table) * log(sapply(as.numeric(names(table)), one)))
}
logit <- function(p) log(p / (1 - p))
expit <- function(x) 1 / (1 + exp(-x))

beta_part <- function(panel) {
  ends <- function(p) betabinomial(expit(p[1]), expit(p[2]), panel)
  best <- optim(c(-1, -1), function(p) -ends(p), method = "Nelder-Mead", control = list(reltol = 1e-14, maxit = 4000))
  mu <- expit(best$par[1]); gamma <- expit(best$par[2])
  profile <- function(m) -optimize(function(g) -betabinomial(m, expit(g), panel), c(-5, 2.5), tol = 1e-7)$objective
  root <- function(m) sign(mu - m) * sqrt(max(0, 2 * (-best$value - profile(m))))
  n <- length(panel$right)
  t <- qt(0.975, n - 1)
  list(mu = mu, gamma = gamma, ln_likelihood = -best$value,
       lower = uniroot(function(m) root(m) - t, c(0.005, mu), tol = 1e-7)$root,
       upper = uniroot(function(m) root(m) + t, c(mu, 0.98), tol = 1e-7)$root)
}

mixture_part <- function(panel) {
  loglik <- function(share, heard) sum(log(
    share * dbinom(panel$right, panel$trials, panel$chance + (1 - panel$chance) * heard) +
    (1 - share) * dbinom(panel$right, panel$trials, panel$chance)))
  # Two peaks are possible: the best of several starts.
  profile <- function(s) max(sapply(seq(0, 0.9, 0.1), function(from)
    optimize(function(d) loglik(s, d), c(from, from + 0.1), maximum = TRUE, tol = 1e-10)$objective))
  shares <- seq(0, 1, 0.01)
  start <- shares[which.max(sapply(shares, profile))]
  best <- optimize(profile, c(max(0, start - 0.01), min(1, start + 0.01)), maximum = TRUE, tol = 1e-10)
  excess <- function(s) 2 * (best$objective - profile(s)) - qchisq(0.95, 1)
  end <- function(from, to) if (excess(to) < 0) to else uniroot(excess, sort(c(from, to)), tol = 1e-9)$root
  heard <- optimize(function(d) loglik(best$maximum, d), c(0, 1), maximum = TRUE, tol = 1e-10)$maximum
  list(share = best$maximum, heard = heard, ln_likelihood = best$objective,
       lower = end(best$maximum, 0), upper = end(best$maximum, 1))
}

looks_part <- function(chance, trials, planned, alpha) {
  spend <- function(t) ifelse(t >= 1, alpha, 2 - 2 * pnorm(qnorm(1 - alpha / 2) / sqrt(t)))
  going <- 1; before <- 0; spent <- 0; out <- list()
  for (n in trials) {
    reached <- convolve(going, rev(dbinom(0:(n - before), n - before, chance)), type = "open")
    tail <- rev(cumsum(rev(reached)))
    enough <- which(tail <= (spend(n / planned) - spent) * (1 + 1e-12))
    critical <- if (length(enough)) min(enough) - 1 else NA
    if (!is.na(critical)) { spent <- spent + tail[critical + 1]; going <- reached; going[(critical + 1):length(going)] <- 0 }
    else going <- reached
    out[[length(out) + 1]] <- c(n, critical, spent)
    before <- n
  }
  out
}

# Listeners and clips crossed: lme4 with the guessing rate in psyphy's link; the answers are drawn here, by a fixed seed.
crossed_part <- function(m, listeners, clips, trials, beta, by_listener, by_clip) {
  d <- expand.grid(listener = 1:listeners, clip = 1:clips, comparison = seq_along(beta))
  u <- rnorm(listeners, 0, by_listener); v <- rnorm(clips, 0, by_clip)
  d$right <- rbinom(nrow(d), trials, 1/m + (1 - 1/m) * plogis(beta[d$comparison] + u[d$listener] + v[d$clip]))
  d$comparison <- factor(d$comparison)
  formula <- if (length(beta) > 1) cbind(right, trials - right) ~ 0 + comparison + (1 | listener) + (1 | clip) else
    cbind(right, trials - right) ~ 1 + (1 | listener) + (1 | clip)
  fitted <- suppressWarnings(lme4::glmer(formula, data = d, family = binomial(psyphy::mafc.logit(m)), nAGQ = 1,
    control = lme4::glmerControl(optimizer = "Nelder_Mead", optCtrl = list(maxfun = 20000), tolPwrss = 1e-10)))
  deviations <- as.data.frame(lme4::VarCorr(fitted))
  sd <- function(group) deviations$sdcor[deviations$grp == group]
  row <- function(x) paste0("[", paste(sapply(x, number), collapse = ","), "]")
  sprintf('{"choices":%d,"listeners":%d,"clips":%d,"trials":%d,"right":%s,\n "log_odds":%s,"standard_errors":%s,"by_listener":%s,"by_clip":%s,"ln_likelihood":%s}',
    m, listeners, clips, trials, row(d$right), row(lme4::fixef(fitted)), row(sqrt(diag(as.matrix(vcov(fitted))))),
    number(sd("listener")), number(sd("clip")), number(as.numeric(logLik(fitted))))
}

number <- function(x) if (is.na(x)) "null" else format(x, digits = 12)
object <- function(l) paste0("{", paste(sprintf('"%s":%s', names(l), sapply(l, number)), collapse = ","), "}")
text <- c()
for (name in names(panels)) {
  panel <- panels[[name]]
  text <- c(text, sprintf('"%s":{"chance":%s,"trials":%s,"right":[%s],\n  "beta_binomial":%s,\n  "mixture":%s}', name,
    number(panel$chance), panel$trials, paste(panel$right, collapse = ","), object(beta_part(panel)), object(mixture_part(panel))))
}
looks <- list(list(1/2, c(160, 240, 320), 320, 0.05), list(1/3, c(90, 180, 270, 360), 360, 0.05), list(1/2, c(64, 320), 320, 0.01))
rows <- sapply(looks, function(l) {
  found <- do.call(looks_part, l)
  sprintf('{"chance":%s,"planned":%s,"alpha":%s,"looks":[%s]}', number(l[[1]]), l[[3]], l[[4]],
    paste(sapply(found, function(v) paste0("[", paste(sapply(v, number), collapse = ","), "]")), collapse = ","))
})
set.seed(20)
crossed <- c(crossed_part(2, 12, 4, 8, 0.5, 0.8, 1.2), crossed_part(3, 20, 5, 6, c(-0.5, 0.8), 0.7, 0.6))
cat("{\n", paste(text, collapse = ",\n"), ',\n"looks":[\n', paste(rows, collapse = ",\n"), "],\n\"crossed\":[\n", paste(crossed, collapse = ",\n"), "]\n}\n", sep = "")
