# Reference values of d-prime by psyphy (Knoblauch; Modeling Psychophysical Data in R, 2012).
#
#     Rscript psyphy.R > psyphy.csv
#
# The output stands beside this script: generated, do not edit. psyphy's root finder stops within about 1e-4.
# Columns: what, two numbers (proportion right; or "different" to different and to equal pairs, of 1000 each), d-prime.
# Half an answer is added to either kind, as everywhere in the statistics of counts.
suppressMessages(library(psyphy))
cat("what,first,second,d_prime\n")
row <- function(what, first, second, d) cat(sprintf("%s,%s,%s,%.10f\n", what, first, second, d))
for (right in c(0.55, 0.6, 0.7, 0.75, 0.8, 0.9, 0.95)) {
  row("two-afc", right, "", dprime.mAFC(right, 2))
  row("differencing", right, "", dprime.ABX(Pc.unb = right, method = "diff"))
  row("independent-observation", right, "", dprime.ABX(Pc.unb = right, method = "IO"))
}
for (right in c(0.35, 0.4, 0.5, 0.6, 0.7, 0.8, 0.9, 0.95)) row("triangle", right, "", dprime.oddity(right))
for (rates in list(c(600, 200), c(800, 300), c(500, 50), c(950, 400), c(300, 100))) {
  hits <- rates[1]
  false <- rates[2]
  row("same-different", hits, false, dprime.SD(H = (hits + 0.5) / 1001, FA = (false + 0.5) / 1001, method = "diff"))
}
