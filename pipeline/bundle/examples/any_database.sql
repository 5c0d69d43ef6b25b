-- First steps in plain SQL, for any database, over the CSV files: one session, its clean samples, labelled
-- windows, a split by session. Needs the folder csv/ of the dataset, and a database that has CREATE TABLE ... AS.
-- MySQL first wants SET sql_mode = 'ANSI_QUOTES'.

-- 0. Tables. An empty field is a missing value.
CREATE TABLE activities (session VARCHAR(40), start_s DOUBLE PRECISION, stop_s DOUBLE PRECISION,
                         activity VARCHAR(400), intensity VARCHAR(20));
CREATE TABLE one (@COLUMNS@);
CREATE TABLE samples (session VARCHAR(40), sample BIGINT, time_s DOUBLE PRECISION, value DOUBLE PRECISION,
                      quality INTEGER);

-- 1. Load the activity log, then one session: a row for each sample, lost ones included. Only this step differs.
--    PostgreSQL:  \copy activities FROM 'csv/activities.csv' CSV HEADER
--                 \copy one FROM 'csv/@SESSION@/samples.csv' CSV HEADER
--    SQLite:      .import --csv --skip 1 csv/activities.csv activities
--                 .import --csv --skip 1 csv/@SESSION@/samples.csv one
--                 UPDATE one SET "@CHANNEL@" = NULL WHERE "@CHANNEL@" = '';
--    Do this and the next two statements for each session that is to be used: in csv/sessions.csv neither
--    `analysed` nor `recording` is no. Another device may have other columns: make `one` anew.
INSERT INTO samples SELECT '@SESSION@', sample, time_s, "@CHANNEL@", quality FROM one;
DELETE FROM one;

CREATE INDEX samples_in_time ON samples (session, time_s);

-- 2. What is clean: quality has a bit for each condition. 0 is none; 64 and 128 (192 both) are low_coupling and
--    uncorroborated, which are conditions and no faults. Any other number has a fault in it.
SELECT session, COUNT(*) AS samples,
       SUM(CASE WHEN quality IN (0, 64, 128, 192) AND value IS NOT NULL THEN 1 ELSE 0 END) AS clean
FROM samples WHERE session = '@SESSION@' GROUP BY session;

-- 3. Windows of 2 s that lie in one stretch of the activity log, which gives the label; kept are those that are
--    clean throughout, without a hole, and as long as a window: up to 10,000 in each stretch.
CREATE TABLE digits (d INTEGER);
INSERT INTO digits (d) VALUES (0), (1), (2), (3), (4), (5), (6), (7), (8), (9);

CREATE TABLE windows AS
SELECT w.session, w.intensity, w.start_s, MAX(s.value) - MIN(s.value) AS peak_to_peak
FROM (SELECT a.session, a.intensity, a.start_s + 2 * n.n AS start_s
      FROM activities a CROSS JOIN
           (SELECT i.d + 10 * j.d + 100 * k.d + 1000 * l.d AS n
            FROM digits i CROSS JOIN digits j CROSS JOIN digits k CROSS JOIN digits l) n
      WHERE 2 * (n.n + 1) <= a.stop_s - a.start_s) w
JOIN samples s ON s.session = w.session AND s.time_s >= w.start_s AND s.time_s < w.start_s + 2
GROUP BY w.session, w.intensity, w.start_s
HAVING SUM(CASE WHEN s.quality IN (0, 64, 128, 192) AND s.value IS NOT NULL THEN 0 ELSE 1 END) = 0
   AND MAX(s.sample) - MIN(s.sample) + 1 = COUNT(*) AND MAX(s.time_s) - MIN(s.time_s) >= 1.8;

-- 4. Split by session, never by window. Windows of one session share a body, a strap, a room and a day, and
--    neighbours are nearly copies: with some of them on either side a model is tested on what it has seen.
SELECT split, intensity, COUNT(*) AS windows, AVG(peak_to_peak) AS peak_to_peak
FROM (SELECT CASE WHEN session IN (@TEST_LIST@) THEN 'test' ELSE 'train' END AS split, intensity, peak_to_peak
      FROM windows) labelled
GROUP BY split, intensity ORDER BY split, intensity;
