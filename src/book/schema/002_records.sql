-- What a night holds beside frames and guide logs: climate and power logs, results of our commands,
-- calibration sets, what is foretold, advised, owed and broken. SI and radians as in 001.

-- Kinds are rows from here on: a later kind is an INSERT, not a table made anew. The table `content`
-- loses its CHECK by sqlite's way of making a table anew (sqlite.org/lang_altertable.html, 7), with
-- foreign keys off and looked at before the commit.
CREATE TABLE content_kind (kind TEXT PRIMARY KEY) STRICT, WITHOUT ROWID;
INSERT INTO content_kind VALUES ('frame'), ('guide-log'), ('rig'), ('climate-log'), ('power-log'), ('document');
CREATE TABLE content_new (
    id INTEGER PRIMARY KEY,
    sha256 BLOB NOT NULL UNIQUE CHECK (length(sha256) = 32),
    kind TEXT NOT NULL REFERENCES content_kind (kind),
    size_bytes INTEGER NOT NULL,
    added_utc_s REAL NOT NULL,
    program_version TEXT NOT NULL
) STRICT;
INSERT INTO content_new SELECT id, sha256, kind, size_bytes, added_utc_s, program_version FROM content;
DROP TABLE content;
ALTER TABLE content_new RENAME TO content;

-- ---- Logs: what one night has of a climate or power log --------------------------------------

CREATE TABLE climate_run (
    id INTEGER PRIMARY KEY,
    content_id INTEGER NOT NULL REFERENCES content (id) ON DELETE CASCADE,
    number INTEGER NOT NULL, -- night by night in its file, from 1
    night_id INTEGER NOT NULL REFERENCES night (id),
    start_utc_s REAL NOT NULL,
    end_utc_s REAL NOT NULL,
    step_s REAL,           -- median of the steps
    n_samples INTEGER NOT NULL,
    gap_s REAL NOT NULL,   -- in steps of over five times the usual one
    -- Sun down by the clock of the site (18 to 6 h local mean solar time), else the whole piece
    air_low_K REAL, air_mean_K REAL, air_high_K REAL,
    air_rate_K_s REAL,     -- straight line
    humidity_mean REAL, humidity_high REAL, -- over water, 1 = saturated
    dew_point_mean_K REAL,
    wind_mean_m_s REAL, wind_high_m_s REAL,
    cloud_mean REAL,
    room_humidity_high REAL,
    -- coldest surface against dew or frost point of the air at it, roof open (or not said) and not
    -- covered; 1 of 100 rows lies below
    margin_low_K REAL,
    margin_at_utc_s REAL,
    margin_of TEXT NOT NULL DEFAULT '', -- which surface
    wet_s REAL,            -- at or below it
    open_s REAL,           -- the roof; NULL: not logged
    heater_J REAL, room_heater_J REAL, dryer_s REAL,
    columns TEXT NOT NULL, -- lines: series of src/air/log.h, then surfaces as "NAME_K"
    samples BLOB NOT NULL, -- t_s as 64-bit, then the columns as 32-bit little-endian floats
    UNIQUE (content_id, number)
) STRICT;
CREATE INDEX climate_run_by_night ON climate_run (night_id);

CREATE TABLE climate_reading ( -- each column of a piece
    run_id INTEGER NOT NULL REFERENCES climate_run (id) ON DELETE CASCADE,
    name TEXT NOT NULL,    -- "front lens", "room", "air"
    unit TEXT NOT NULL,    -- K, Pa, m/s, W, 1
    n INTEGER NOT NULL,
    low REAL, mean REAL, high REAL, -- of the whole piece
    PRIMARY KEY (run_id, name, unit)
) STRICT, WITHOUT ROWID;

CREATE TABLE power_run (
    id INTEGER PRIMARY KEY,
    content_id INTEGER NOT NULL REFERENCES content (id) ON DELETE CASCADE,
    number INTEGER NOT NULL,
    night_id INTEGER REFERENCES night (id), -- NULL: the log has no dates
    start_utc_s REAL,
    duration_s REAL NOT NULL,
    step_s REAL,
    n_samples INTEGER NOT NULL,
    gap_s REAL NOT NULL,
    columns TEXT NOT NULL, -- lines "CIRCUIT V", "CIRCUIT A", "CIRCUIT W"
    samples BLOB NOT NULL, -- as of climate_run
    UNIQUE (content_id, number)
) STRICT;
CREATE INDEX power_run_by_night ON power_run (night_id);

CREATE TABLE power_reading ( -- each circuit of a piece; NULL: not logged
    run_id INTEGER NOT NULL REFERENCES power_run (id) ON DELETE CASCADE,
    circuit TEXT NOT NULL,
    low_V REAL, mean_V REAL, high_V REAL, -- low and high: of medians of three rows
    low_A REAL, mean_A REAL, high_A REAL,
    mean_W REAL, high_W REAL, -- as logged, else volts times amps
    energy_J REAL,         -- trapezia, gaps left out
    low_V_utc_s REAL,
    PRIMARY KEY (run_id, circuit)
) STRICT, WITHOUT ROWID;

-- ---- Documents: what our commands print with --json -------------------------------------------

CREATE TABLE document (
    id INTEGER PRIMARY KEY,
    content_id INTEGER NOT NULL UNIQUE REFERENCES content (id) ON DELETE CASCADE,
    command TEXT NOT NULL, -- surface, trial, sensor, flats, plan
    schema TEXT NOT NULL,  -- "nightwright.surface.1"
    subject TEXT NOT NULL, -- what it is about: a later document of the same takes its place
    night_id INTEGER REFERENCES night (id),
    t_utc_s REAL,          -- first frame, or when it was made
    rig_name TEXT NOT NULL DEFAULT '',
    setup TEXT NOT NULL DEFAULT '',
    text TEXT NOT NULL,
    UNIQUE (command, subject)
) STRICT;
CREATE INDEX document_by_night ON document (night_id);

CREATE TABLE focal_surface (
    document_id INTEGER PRIMARY KEY REFERENCES document (id) ON DELETE CASCADE,
    night_id INTEGER REFERENCES night (id),
    t_utc_s REAL,
    camera TEXT NOT NULL DEFAULT '',
    telescope TEXT NOT NULL DEFAULT '',
    filter TEXT NOT NULL DEFAULT '',
    tube_side TEXT NOT NULL DEFAULT '',
    rotator_rad REAL,
    temperature_K REAL,    -- at the focuser
    method TEXT NOT NULL CHECK (method IN ('single', 'pair', 'sweep')),
    n_frames INTEGER NOT NULL,
    is_sign_known INTEGER NOT NULL,
    z0_m REAL, a_m REAL, b_m REAL, c_m REAL, -- z = z0 + a u + b v + c (u^2 + v^2), at the sensor
    z0_sigma_m REAL, a_sigma_m REAL, b_sigma_m REAL, c_sigma_m REAL,
    scale_sigma REAL,      -- common to all heights, as a share
    tilt_m REAL, tilt_sigma_m REAL, -- corner to corner
    tilt_direction_rad REAL, tilt_direction_sigma_rad REAL,
    growth REAL, growth_sigma REAL, -- of the star's width to the corner
    astigmatism_m REAL, astigmatism_sigma_m REAL,
    coma_m REAL, coma_sigma_m REAL,
    best_position_steps REAL, best_position_sigma_steps REAL,
    backlash_m REAL, backlash_sigma_m REAL,
    step_m REAL,           -- at the sensor
    depth_of_focus_m REAL
) STRICT;
CREATE INDEX focal_surface_by_night ON focal_surface (night_id);

CREATE TABLE trial_result ( -- one row a quantity that a trial told
    id INTEGER PRIMARY KEY,
    document_id INTEGER REFERENCES document (id) ON DELETE CASCADE, -- NULL: found in the book
    night_id INTEGER REFERENCES night (id),
    name TEXT NOT NULL,    -- of the card: "drive-off-trail"
    t_utc_s REAL NOT NULL, -- middle of its frames
    rig_version_id INTEGER REFERENCES rig_version (id) ON DELETE SET NULL,
    rig_name TEXT NOT NULL DEFAULT '',
    setup TEXT NOT NULL DEFAULT '',
    filter TEXT NOT NULL DEFAULT '',
    origin TEXT NOT NULL CHECK (origin IN ('owner', 'add', 'watch')),
    quantity TEXT NOT NULL, -- "seeing", "motion and flexure"
    value REAL,            -- in SI and radians; NULL: not told, why_null says why
    sigma REAL,
    unit TEXT NOT NULL,    -- rad, rad2, m, s, 1, e/s ...
    low REAL, high REAL,   -- 95 %, where not value -+ 2 sigma
    foretold REAL, foretold_sigma REAL, -- by the rig file
    n_frames INTEGER NOT NULL,
    verdict TEXT NOT NULL DEFAULT '', -- as it was printed
    why_null TEXT NOT NULL DEFAULT '',
    UNIQUE (name, setup, filter, t_utc_s, quantity)
) STRICT;
CREATE INDEX trial_result_by_night ON trial_result (night_id);

CREATE TABLE trial_frame ( -- the frames that it rests on, when the book has them
    trial_id INTEGER NOT NULL REFERENCES trial_result (id) ON DELETE CASCADE,
    frame_id INTEGER NOT NULL REFERENCES frame (id) ON DELETE CASCADE,
    PRIMARY KEY (trial_id, frame_id)
) STRICT, WITHOUT ROWID;
CREATE INDEX trial_frame_by_frame ON trial_frame (frame_id);

CREATE TABLE night_plan (
    document_id INTEGER PRIMARY KEY REFERENCES document (id) ON DELETE CASCADE,
    night_id INTEGER REFERENCES night (id),
    date TEXT NOT NULL,
    dark_start_utc_s REAL, dark_end_utc_s REAL,
    moon_illumination REAL,
    planned_s REAL,        -- sum of the blocks
    exposure_s REAL,       -- sum of exposures times subs
    unused_s REAL,
    n_subs INTEGER NOT NULL
) STRICT;
CREATE INDEX night_plan_by_date ON night_plan (date);

CREATE TABLE plan_block (
    document_id INTEGER NOT NULL REFERENCES night_plan (document_id) ON DELETE CASCADE,
    number INTEGER NOT NULL,
    target TEXT NOT NULL,
    filter TEXT NOT NULL,
    start_utc_s REAL NOT NULL,
    end_utc_s REAL NOT NULL,
    exposure_s REAL,
    n_subs INTEGER NOT NULL,
    tube_side TEXT NOT NULL DEFAULT '',
    is_flip INTEGER NOT NULL,
    PRIMARY KEY (document_id, number)
) STRICT, WITHOUT ROWID;

-- ---- Calibration ------------------------------------------------------------------------------

CREATE TABLE calibration_set ( -- bias, dark or flat frames that belong together, of one session
    id INTEGER PRIMARY KEY,
    kind TEXT NOT NULL CHECK (kind IN ('bias', 'dark', 'flat')),
    train_id INTEGER NOT NULL REFERENCES train (id),
    night_id INTEGER REFERENCES night (id),
    gain_setting REAL,
    offset_setting REAL,
    binning REAL,
    exposure_s REAL,       -- of a flat: of its first frame
    temperature_K REAL,    -- set point, else chip
    filter TEXT NOT NULL,  -- of flats
    rotator_rad REAL,      -- of flats
    n_frames INTEGER NOT NULL,
    first_utc_s REAL,
    last_utc_s REAL,
    is_stale INTEGER NOT NULL DEFAULT 1, -- frames came since it was measured
    -- measured on its frames; NULL: not measured
    level_adu REAL,        -- median of the frame, mean over the frames
    level_scatter_adu REAL, -- of that from frame to frame
    noise_adu REAL,        -- of a pixel, from differences
    corner_to_middle REAL, -- of flats, offset taken off: the darkest corner
    n_shadows INTEGER      -- of flats
) STRICT;
CREATE INDEX calibration_set_by_night ON calibration_set (night_id);
ALTER TABLE frame ADD COLUMN calibration_set_id INTEGER REFERENCES calibration_set (id) ON DELETE SET NULL;
CREATE INDEX frame_by_set ON frame (calibration_set_id) WHERE calibration_set_id IS NOT NULL;
CREATE INDEX frame_without_set ON frame (id) WHERE calibration_set_id IS NULL AND use IN ('bias', 'dark', 'flat');

CREATE TABLE sensor_result ( -- what the sets of one session say about the camera, or a document
    id INTEGER PRIMARY KEY,
    document_id INTEGER REFERENCES document (id) ON DELETE CASCADE, -- NULL: from sets of the book
    train_id INTEGER REFERENCES train (id),
    camera TEXT NOT NULL,
    night_id INTEGER REFERENCES night (id),
    t_utc_s REAL,
    is_stale INTEGER NOT NULL, -- frames came since
    why_null TEXT NOT NULL DEFAULT '', -- why there is no result at all
    n_bias INTEGER NOT NULL, n_dark INTEGER NOT NULL, n_flat INTEGER NOT NULL, -- that were used
    gain_setting REAL,
    offset_setting REAL,
    gain_e_per_adu REAL, gain_sigma_e_per_adu REAL,
    read_noise_e REAL, read_noise_sigma_e REAL,
    offset_adu REAL, offset_sigma_adu REAL,
    offset_drift_e REAL,
    full_scale_e REAL, full_scale_sigma_e REAL,
    nonlinearity REAL,
    prnu REAL,
    row_noise_e REAL,
    column_noise_e REAL,
    dark_e_s REAL, dark_sigma_e_s REAL,
    dark_temperature_K REAL,
    dark_exposure_s REAL,  -- the longest
    doubling_K REAL, doubling_sigma_K REAL,
    hot_pixels REAL,       -- above hot_above_e_s in both of the longest darks
    hot_above_e_s REAL
) STRICT;
CREATE INDEX sensor_result_by_night ON sensor_result (night_id);

CREATE TABLE hot_pixel_count ( -- at fixed limits, so that months compare
    result_id INTEGER NOT NULL REFERENCES sensor_result (id) ON DELETE CASCADE,
    above_e_s REAL NOT NULL, -- at the temperature of the darks
    n INTEGER NOT NULL,
    PRIMARY KEY (result_id, above_e_s)
) STRICT, WITHOUT ROWID;

CREATE TABLE flat_panel ( -- a line of the table of `flats`
    document_id INTEGER NOT NULL REFERENCES document (id) ON DELETE CASCADE,
    filter TEXT NOT NULL,
    setting REAL,          -- of the panel
    exposure_s REAL,
    level_adu REAL,
    level_sigma REAL,      -- as a share
    n_flats INTEGER NOT NULL,
    PRIMARY KEY (document_id, filter)
) STRICT, WITHOUT ROWID;

-- ---- Advised, owed, broken --------------------------------------------------------------------

CREATE TABLE advice ( -- what `check` advised, with what it foretold
    id INTEGER PRIMARY KEY,
    night_id INTEGER REFERENCES night (id), -- on whose frames it rests
    made_utc_s REAL NOT NULL,
    rig_version_id INTEGER REFERENCES rig_version (id) ON DELETE SET NULL, -- as it was then
    rig_name TEXT NOT NULL,
    setup TEXT NOT NULL DEFAULT '',
    filter TEXT NOT NULL DEFAULT '',
    what TEXT NOT NULL,    -- a short name of the advice, the same each time
    path TEXT NOT NULL DEFAULT '', -- key of the rig file that would change
    old_value TEXT NOT NULL DEFAULT '',
    new_value TEXT NOT NULL DEFAULT '',
    text TEXT NOT NULL,    -- as it was printed
    quantity TEXT NOT NULL, -- "mean width"
    unit TEXT NOT NULL,    -- rad, 1, s ...
    before REAL,           -- foretold without it
    predicted REAL,        -- foretold with it
    sigma REAL,            -- of predicted - before
    refuted_below REAL,    -- a smaller change in size would refute it
    outcome TEXT NOT NULL DEFAULT 'open' CHECK (outcome IN ('open', 'held', 'refuted', 'cannot tell')),
    outcome_utc_s REAL,
    came REAL,             -- the change that came, in `unit`
    came_sigma REAL,
    outcome_text TEXT NOT NULL DEFAULT '',
    UNIQUE (rig_name, setup, filter, what, night_id)
) STRICT;

CREATE TABLE upkeep_task ( -- the owner's own, beside those that come with the program
    id INTEGER PRIMARY KEY,
    name TEXT NOT NULL UNIQUE COLLATE NOCASE,
    every_s REAL,          -- NULL: once, on `due`
    due TEXT,              -- a date
    note TEXT NOT NULL DEFAULT '',
    caution TEXT NOT NULL DEFAULT ''
) STRICT;

CREATE TABLE upkeep ( -- done
    id INTEGER PRIMARY KEY,
    task TEXT NOT NULL COLLATE NOCASE,
    date TEXT NOT NULL CHECK (date GLOB '[0-9][0-9][0-9][0-9]-[0-9][0-9]-[0-9][0-9]'),
    rig_name TEXT NOT NULL DEFAULT '',
    note TEXT NOT NULL DEFAULT ''
) STRICT;
CREATE INDEX upkeep_by_task ON upkeep (task, date);

CREATE TABLE gap ( -- time without frames or rows in which some were to be expected
    id INTEGER PRIMARY KEY,
    night_id INTEGER NOT NULL REFERENCES night (id),
    kind TEXT NOT NULL CHECK (kind IN ('frames', 'guide-log', 'climate-log', 'power-log', 'several')),
    train_id INTEGER REFERENCES train (id), -- of frames
    from_utc_s REAL NOT NULL,
    to_utc_s REAL NOT NULL,
    cause TEXT NOT NULL,   -- a word that is counted: "camera", "pc", "supply", "flip" ...
    is_fault INTEGER NOT NULL,
    evidence TEXT NOT NULL DEFAULT '',
    would_tell TEXT NOT NULL DEFAULT '', -- what would tell its causes apart
    UNIQUE (night_id, kind, train_id, from_utc_s)
) STRICT;

-- ---- What people read -------------------------------------------------------------------------

CREATE VIEW climate AS
SELECT
    night.date AS night, climate_run.id AS run_id, strftime('%Y-%m-%dT%H:%M:%SZ', start_utc_s, 'unixepoch') AS start_utc, start_utc_s,
    (end_utc_s - start_utc_s) / 3600 AS duration_h, step_s, n_samples AS samples, gap_s / 60 AS gap_min,
    air_low_K - 273.15 AS air_low_c, air_mean_K - 273.15 AS air_mean_c, air_high_K - 273.15 AS air_high_c,
    air_rate_K_s * 3600 AS air_rate_k_per_h, humidity_mean * 100 AS humidity_percent, humidity_high * 100 AS humidity_high_percent,
    dew_point_mean_K - 273.15 AS dew_point_c, wind_mean_m_s AS wind_m_per_s, wind_high_m_s AS wind_high_m_per_s,
    cloud_mean * 100 AS cloud_percent, room_humidity_high * 100 AS room_humidity_high_percent,
    margin_low_K AS dew_margin_k, strftime('%Y-%m-%dT%H:%M:%SZ', margin_at_utc_s, 'unixepoch') AS dew_margin_at_utc,
    margin_of AS dew_margin_of, wet_s / 60 AS wet_min, open_s / 3600 AS open_h, heater_J / 3600 AS heater_wh,
    room_heater_J / 3600 AS room_heater_wh, dryer_s / 3600 AS dryer_h
FROM climate_run JOIN night ON night.id = climate_run.night_id;

CREATE VIEW power AS
SELECT
    night.date AS night, run_id, circuit, strftime('%Y-%m-%dT%H:%M:%SZ', start_utc_s, 'unixepoch') AS start_utc, start_utc_s,
    duration_s / 3600 AS duration_h, n_samples AS samples, gap_s / 60 AS gap_min, low_V AS low_v, mean_V AS mean_v, high_V AS high_v,
    strftime('%Y-%m-%dT%H:%M:%SZ', low_V_utc_s, 'unixepoch') AS low_v_at_utc, low_A AS low_a, mean_A AS mean_a, high_A AS high_a, mean_W AS mean_w,
    high_W AS high_w, energy_J / 3600 AS energy_wh
FROM power_reading JOIN power_run ON power_run.id = run_id LEFT JOIN night ON night.id = night_id;

CREATE VIEW surface AS
SELECT
    night.date AS night, document_id, strftime('%Y-%m-%dT%H:%M:%SZ', focal_surface.t_utc_s, 'unixepoch') AS start_utc,
    focal_surface.t_utc_s AS start_utc_s, camera, telescope,
    filter, tube_side, degrees(rotator_rad) AS rotator_deg, temperature_K - 273.15 AS temperature_c, method, n_frames AS frames,
    is_sign_known AS sign_known, z0_m * 1e6 AS z0_um, z0_sigma_m * 1e6 AS z0_sigma_um, a_m * 1e6 AS a_um, a_sigma_m * 1e6 AS a_sigma_um,
    b_m * 1e6 AS b_um, b_sigma_m * 1e6 AS b_sigma_um, c_m * 1e6 AS c_um, c_sigma_m * 1e6 AS c_sigma_um, scale_sigma * 100 AS scale_sigma_percent,
    tilt_m * 1e6 AS tilt_um, tilt_sigma_m * 1e6 AS tilt_sigma_um, degrees(tilt_direction_rad) AS tilt_direction_deg,
    degrees(tilt_direction_sigma_rad) AS tilt_direction_sigma_deg, growth * 100 AS corner_growth_percent, growth_sigma * 100 AS corner_growth_sigma_percent,
    astigmatism_m * 1e6 AS astigmatism_um, astigmatism_sigma_m * 1e6 AS astigmatism_sigma_um, coma_m * 1e6 AS coma_um, coma_sigma_m * 1e6 AS coma_sigma_um,
    best_position_steps AS best_position, best_position_sigma_steps AS best_position_sigma, backlash_m * 1e6 AS backlash_um,
    backlash_sigma_m * 1e6 AS backlash_sigma_um, step_m * 1e6 AS um_per_step_at_sensor, depth_of_focus_m * 1e6 AS depth_of_focus_um
FROM focal_surface LEFT JOIN night ON night.id = focal_surface.night_id;

-- Angles in arcsec, their squares in arcsec2, lengths in um; what has another unit as it is.
CREATE VIEW trial AS
WITH scaled AS (
    SELECT trial_result.*, CASE unit WHEN 'rad' THEN degrees(1) * 3600 WHEN 'rad2' THEN degrees(1) * 3600 * degrees(1) * 3600 WHEN 'm' THEN 1e6 ELSE 1 END AS k,
    CASE unit WHEN 'rad' THEN 'arcsec' WHEN 'rad2' THEN 'arcsec2' WHEN 'm' THEN 'um' ELSE unit END AS shown_unit FROM trial_result)
SELECT
    night.date AS night, scaled.id AS trial_id, name, strftime('%Y-%m-%dT%H:%M:%SZ', t_utc_s, 'unixepoch') AS time_utc, t_utc_s AS time_utc_s, rig_name AS rig, setup,
    filter, origin, quantity, value * k AS value, sigma * k AS sigma, shown_unit AS unit, low * k AS low, high * k AS high, foretold * k AS foretold,
    foretold_sigma * k AS foretold_sigma, n_frames AS frames, verdict, why_null
FROM scaled LEFT JOIN night ON night.id = scaled.night_id;

CREATE VIEW calibration AS
SELECT
    night.date AS night, calibration_set.id AS set_id, kind, camera, telescope, gain_setting, offset_setting, binning, exposure_s,
    temperature_K - 273.15 AS temperature_c, filter, degrees(rotator_rad) AS rotator_deg, n_frames AS frames,
    strftime('%Y-%m-%dT%H:%M:%SZ', first_utc_s, 'unixepoch') AS first_utc, first_utc_s AS start_utc_s, level_adu, level_scatter_adu, noise_adu,
    corner_to_middle * 100 AS corner_percent, n_shadows AS shadows
FROM calibration_set JOIN train ON train.id = train_id LEFT JOIN night ON night.id = night_id;

CREATE VIEW sensor AS
SELECT
    night.date AS night, sensor_result.id AS result_id, camera, strftime('%Y-%m-%dT%H:%M:%SZ', t_utc_s, 'unixepoch') AS time_utc, t_utc_s AS start_utc_s, n_bias AS bias_frames, n_dark AS dark_frames,
    n_flat AS flat_frames, gain_setting, offset_setting, gain_e_per_adu, gain_sigma_e_per_adu, read_noise_e, read_noise_sigma_e, offset_adu,
    offset_sigma_adu, offset_drift_e, full_scale_e, full_scale_sigma_e, nonlinearity * 100 AS nonlinearity_percent, prnu * 100 AS prnu_percent, row_noise_e,
    column_noise_e, dark_e_s AS dark_e_per_s, dark_sigma_e_s AS dark_sigma_e_per_s, dark_temperature_K - 273.15 AS dark_temperature_c, dark_exposure_s,
    doubling_K AS doubling_k, doubling_sigma_K AS doubling_sigma_k, hot_pixels, hot_above_e_s AS hot_above_e_per_s, why_null
FROM sensor_result LEFT JOIN night ON night.id = night_id
WHERE why_null = '';

CREATE VIEW hot_pixel AS
SELECT
    night.date AS night, camera, strftime('%Y-%m-%dT%H:%M:%SZ', t_utc_s, 'unixepoch') AS time_utc, t_utc_s AS start_utc_s, gain_setting,
    dark_temperature_K - 273.15 AS dark_temperature_c, dark_exposure_s, above_e_s AS above_e_per_s, n AS hot_pixels
FROM hot_pixel_count JOIN sensor_result ON sensor_result.id = result_id LEFT JOIN night ON night.id = night_id;

CREATE VIEW plan AS
SELECT
    night_plan.date AS night, rig_name AS rig, setup, number, target, filter, strftime('%Y-%m-%dT%H:%M:%SZ', start_utc_s, 'unixepoch') AS start_utc,
    start_utc_s, strftime('%Y-%m-%dT%H:%M:%SZ', end_utc_s, 'unixepoch') AS end_utc, plan_block.exposure_s, plan_block.n_subs AS subs, tube_side, is_flip AS flip,
    dark_end_utc_s / 3600 - dark_start_utc_s / 3600 AS dark_h, night_plan.planned_s / 3600 AS planned_h, unused_s / 3600 AS unused_h
FROM night_plan JOIN document ON document.id = night_plan.document_id JOIN plan_block ON plan_block.document_id = night_plan.document_id;

-- Nights of an older book are looked at again with the next `add`: their holes are not known yet.
UPDATE night SET is_stale = 1;
