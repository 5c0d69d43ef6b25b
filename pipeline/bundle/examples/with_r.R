# First steps with R: one session, its clean samples, labelled windows, a split by session.
# Run where README.md of the dataset stands: Rscript examples/with_r.R
# Needs @R_NEEDS@.

session <- "@SESSION@"
channel <- "@CHANNEL@"
test <- strsplit("@TEST@", " ")[[1]]  # sessions of the test set; see step 4
window_s <- 2
faults <- 63L  # lost, saturated, settling, mains, contact_loss, stuck: bits 0 to 5 of quality

read <- function(name) {
  parquet <- paste0(name, ".parquet")
  csv <- file.path("csv", paste0(sub("^recordings/", "", name), ".csv"))
  if (requireNamespace("nanoparquet", quietly = TRUE)) return(as.data.frame(nanoparquet::read_parquet(parquet)))
  if (requireNamespace("arrow", quietly = TRUE)) return(as.data.frame(arrow::read_parquet(parquet)))
  if (!file.exists(csv)) stop("install nanoparquet or arrow: this dataset has no ", csv)
  read.csv(csv, check.names = FALSE, na.strings = "", encoding = "UTF-8")
}

# 1. Load one session: a row for each sample, lost ones included.
load_session <- function(code) read(file.path("recordings", code, "samples"))

# 2. What is clean. Bits 6 and 7 are conditions, not faults: for those out as well, ask for quality == 0.
is_clean <- function(samples) {
  bitwAnd(as.integer(samples$quality), faults) == 0L & !is.na(samples[[channel]])
}

samples <- load_session(session)
clean <- samples[is_clean(samples), ]
cat("session,samples,clean\n")
cat(sprintf("%s,%d,%d\n", session, nrow(samples), nrow(clean)), sep = "")

# 3. Windows that lie in one stretch of the activity log, which gives the label, and are clean throughout.
windows_of <- function(stretch, samples) {
  since <- samples$time_s - stretch$start_s
  fitting <- floor((stretch$stop_s - stretch$start_s) / window_s)  # whole windows
  number <- floor(since / window_s)
  inside <- samples[since >= 0 & number < fitting, ]
  by_window <- split(inside, number[since >= 0 & number < fitting])
  # Clean, without a hole, and as long as a window.
  whole <- vapply(by_window, function(w) {
    all(w$clean) && max(w$sample) - min(w$sample) + 1 == nrow(w) && max(w$time_s) - min(w$time_s) >= 0.9 * window_s
  }, logical(1))
  peaks <- vapply(by_window[whole], function(w) max(w[[channel]]) - min(w[[channel]]), numeric(1))
  data.frame(session = rep(stretch$session, length(peaks)), intensity = rep(stretch$intensity, length(peaks)),
             peak_to_peak = unname(peaks))
}

# Sessions that are not to be used are left out, even where their recordings are here.
sessions <- read("sessions")
used <- sessions$session[sessions$analysed != "no" & sessions$recording != "no"]
log <- read("activities")
parts <- list()
for (code in intersect(unique(log$session), used)) {
  samples <- load_session(code)
  if (!(channel %in% names(samples))) next  # another device
  samples$clean <- is_clean(samples)
  stretches <- log[log$session == code, ]
  for (i in seq_len(nrow(stretches))) parts[[length(parts) + 1]] <- windows_of(stretches[i, ], samples)
}
windows <- do.call(rbind, parts)

# 4. Split by session, never by window. Windows of one session share a body, a strap, a room and a day, and
# neighbours are nearly copies: with some of them on either side a model is tested on what it has seen.
windows$split <- ifelse(windows$session %in% test, "test", "train")

cat("split,intensity,windows,peak_to_peak\n")
for (side in c("test", "train")) {
  for (intensity in sort(unique(windows$intensity[windows$split == side]))) {
    peaks <- windows$peak_to_peak[windows$split == side & windows$intensity == intensity]
    cat(sprintf("%s,%s,%d,%.5f\n", side, intensity, length(peaks), mean(peaks)), sep = "")
  }
}
