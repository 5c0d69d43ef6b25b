-- First steps in the SQL of DuckDB: one session, its clean samples, labelled windows, a split by session.
-- Run where README.md of the dataset stands: duckdb -csv < examples/with_duckdb.sql

-- 1. All recordings as one table: a row for each sample, lost ones included. Nothing is read before it is asked for.
-- 2. What is clean: none of lost, saturated, settling, mains, contact_loss, stuck, which are bits 0 to 5 (63 in all).
--    Bits 6 and 7 are conditions, not faults: for those out as well, ask for quality = 0.
CREATE TEMP VIEW samples AS
SELECT parse_path(filename)[-2] AS session, sample, time_s, CAST("@CHANNEL@" AS DOUBLE) AS value,
       (quality & 63) = 0 AND "@CHANNEL@" IS NOT NULL AS clean
FROM read_parquet('recordings/*/samples.parquet', filename = true, union_by_name = true);

SELECT session, count(*) AS samples, count(*) FILTER (clean) AS clean
FROM samples WHERE session = '@SESSION@' GROUP BY session;

-- 3. Windows of 2 s that lie in one stretch of the activity log, which gives the label; kept are those that are
--    clean throughout, without a hole, and as long as a window. Sessions that are not to be used are left out,
--    even where their recordings are here.
CREATE TEMP TABLE windows AS
SELECT log.session, log.intensity, max(value) - min(value) AS peak_to_peak
FROM samples JOIN 'activities.parquet' AS log
  ON samples.session = log.session AND time_s >= log.start_s AND time_s < log.stop_s
WHERE log.session IN (SELECT session FROM 'sessions.parquet' WHERE analysed <> 'no' AND recording <> 'no')
  AND floor((time_s - log.start_s) / 2) < floor((log.stop_s - log.start_s) / 2)
GROUP BY log.session, log.intensity, log.start_s, floor((time_s - log.start_s) / 2)
HAVING bool_and(clean) AND max(sample) - min(sample) + 1 = count(*) AND max(time_s) - min(time_s) >= 1.8;

-- 4. Split by session, never by window. Windows of one session share a body, a strap, a room and a day, and
--    neighbours are nearly copies: with some of them on either side a model is tested on what it has seen.
SELECT CASE WHEN session IN (@TEST_LIST@) THEN 'test' ELSE 'train' END AS split,
       intensity, count(*) AS windows, printf('%.5f', avg(peak_to_peak)) AS peak_to_peak
FROM windows GROUP BY split, intensity ORDER BY split, intensity;
