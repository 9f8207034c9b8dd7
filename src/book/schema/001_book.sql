-- The record of nights. SI and radians, units in the names; times are UTC, seconds since 1970.
-- NULL is "not known". What people read has views of its own, with degrees and arcseconds.

CREATE TABLE content ( -- every file ever taken, known by what it holds
    id INTEGER PRIMARY KEY,
    sha256 BLOB NOT NULL UNIQUE CHECK (length(sha256) = 32),
    kind TEXT NOT NULL CHECK (kind IN ('frame', 'guide-log', 'rig')),
    size_bytes INTEGER NOT NULL,
    added_utc_s REAL NOT NULL,
    program_version TEXT NOT NULL
) STRICT;

CREATE TABLE place ( -- where a content was last seen; size and time spare reading it again
    path TEXT PRIMARY KEY,
    content_id INTEGER NOT NULL REFERENCES content (id) ON DELETE CASCADE,
    size_bytes INTEGER NOT NULL,
    mtime_ns INTEGER NOT NULL
) STRICT, WITHOUT ROWID;
CREATE INDEX place_by_content ON place (content_id);

CREATE TABLE night (
    id INTEGER PRIMARY KEY,
    date TEXT NOT NULL UNIQUE CHECK (date GLOB '[0-9][0-9][0-9][0-9]-[0-9][0-9]-[0-9][0-9]'), -- of its evening
    is_stale INTEGER NOT NULL DEFAULT 1 -- changes not yet looked for since frames came
) STRICT;

CREATE TABLE train ( -- what the headers say took the frame
    id INTEGER PRIMARY KEY,
    camera TEXT NOT NULL,
    telescope TEXT NOT NULL,
    width_px INTEGER NOT NULL,
    height_px INTEGER NOT NULL,
    UNIQUE (camera, telescope, width_px, height_px)
) STRICT;

CREATE TABLE settings ( -- what a header says of the settings: lines "name=value"; most frames share one
    id INTEGER PRIMARY KEY,
    text TEXT NOT NULL UNIQUE
) STRICT;

CREATE TABLE rig_version ( -- rig files as they were
    id INTEGER PRIMARY KEY,
    content_id INTEGER NOT NULL UNIQUE REFERENCES content (id) ON DELETE CASCADE,
    name TEXT NOT NULL,
    text TEXT NOT NULL
) STRICT;

CREATE TABLE frame (
    id INTEGER PRIMARY KEY,
    content_id INTEGER NOT NULL UNIQUE REFERENCES content (id) ON DELETE CASCADE,
    train_id INTEGER NOT NULL REFERENCES train (id),
    night_id INTEGER REFERENCES night (id),
    use TEXT NOT NULL CHECK (use IN ('light', 'bias', 'dark', 'flat', 'other')),
    is_double INTEGER NOT NULL, -- another file of an exposure that the book has
    why_unmeasured TEXT NOT NULL DEFAULT '',
    filter TEXT NOT NULL,
    object TEXT NOT NULL,
    tube_side TEXT NOT NULL,
    settings_id INTEGER NOT NULL REFERENCES settings (id),
    t_start_utc_s REAL,
    exposure_s REAL,
    gain_setting REAL,
    offset_setting REAL,
    gain_e_per_adu REAL,
    binning REAL,
    pixel_m REAL,
    focal_length_m REAL,
    set_temperature_K REAL,
    chip_temperature_K REAL,
    focuser_steps REAL,
    focuser_temperature_K REAL,
    airmass REAL,
    ra_rad REAL,
    dec_rad REAL,
    altitude_rad REAL,
    azimuth_rad REAL,
    rotator_rad REAL,
    latitude_rad REAL,
    longitude_rad REAL
) STRICT;
CREATE INDEX frame_by_time ON frame (t_start_utc_s);
CREATE INDEX frame_by_night ON frame (night_id, train_id);

CREATE TABLE measure (
    frame_id INTEGER NOT NULL REFERENCES frame (id) ON DELETE CASCADE,
    channel TEXT NOT NULL CHECK (channel IN ('mono', 'R', 'G', 'B', 'cfa')),
    flags INTEGER NOT NULL, -- bits of NW_FRAME_FLAG_LIST
    n_stars INTEGER NOT NULL,
    n_used INTEGER NOT NULL,
    n_saturated INTEGER NOT NULL,
    n_streaks INTEGER NOT NULL,
    background_adu REAL,
    noise_adu REAL,
    fwhm_px REAL,
    fwhm_sigma_px REAL,
    fwhm_optical_px REAL,
    half_light_px REAL,
    neq_area_px2 REAL,
    e1 REAL,
    e2 REAL,
    e_sigma REAL,
    elongation REAL,
    elongation_angle_rad REAL,
    sky_slope_adu REAL,
    halo_ratio REAL,
    limit_mag REAL,
    PRIMARY KEY (frame_id, channel)
) STRICT, WITHOUT ROWID;

CREATE TABLE zone ( -- width and shape over the field
    frame_id INTEGER NOT NULL REFERENCES frame (id) ON DELETE CASCADE,
    channel TEXT NOT NULL,
    number INTEGER NOT NULL, -- row after row from low v
    u REAL NOT NULL,         -- half diagonals
    v REAL NOT NULL,
    n_stars INTEGER NOT NULL,
    fwhm_px REAL,
    fwhm_sigma_px REAL,
    e1 REAL,
    e2 REAL,
    PRIMARY KEY (frame_id, channel, number)
) STRICT, WITHOUT ROWID;

CREATE TABLE star_list ( -- the brightest stars, to lay frames over each other
    frame_id INTEGER NOT NULL REFERENCES frame (id) ON DELETE CASCADE,
    channel TEXT NOT NULL,
    stars BLOB NOT NULL, -- x_px, y_px, flux_adu, flux_sigma_adu as little-endian 32-bit
                         -- floats, flags (NW_STAR_FLAG_LIST) as 32 bits: 20 bytes each
    PRIMARY KEY (frame_id, channel)
) STRICT, WITHOUT ROWID;

CREATE TABLE guide_run (
    id INTEGER PRIMARY KEY,
    content_id INTEGER NOT NULL REFERENCES content (id) ON DELETE CASCADE,
    number INTEGER NOT NULL, -- in its file, from 1
    night_id INTEGER REFERENCES night (id),
    why_not_analysed TEXT NOT NULL DEFAULT '',
    tube_side TEXT NOT NULL,
    start_utc_s REAL, -- NULL: the log has no dates
    duration_s REAL,
    interval_s REAL,
    exposure_s REAL,
    declination_rad REAL,
    hour_angle_rad REAL,
    latitude_rad REAL,
    guide_scale_rad_px REAL,
    ra_rate_rad_s REAL,
    dec_rate_rad_s REAL,
    given_worm_period_s REAL,
    pulse_acts INTEGER NOT NULL, -- 0 not known, 1 before, 2 after the row
    is_dec_sign_known INTEGER NOT NULL,
    n_samples INTEGER NOT NULL,
    n_used INTEGER NOT NULL,
    n_dithers INTEGER NOT NULL,
    n_bursts INTEGER NOT NULL,
    n_gaps INTEGER NOT NULL,
    total_rms_logged_rad REAL,
    ra_rms_logged_rad REAL,
    ra_noise_rad REAL,
    ra_motion_in_sub_rad REAL,
    ra_motion_low_rad REAL,
    ra_motion_high_rad REAL,
    ra_drift_rad_s REAL,
    ra_drift_sigma_rad_s REAL,
    ra_response REAL,
    ra_response_sigma REAL,
    dec_rms_logged_rad REAL,
    dec_noise_rad REAL,
    dec_motion_in_sub_rad REAL,
    dec_motion_low_rad REAL,
    dec_motion_high_rad REAL,
    dec_drift_rad_s REAL,
    dec_drift_sigma_rad_s REAL,
    dec_response REAL,
    dec_response_sigma REAL,
    worm_period_s REAL,
    worm_amplitude_rad REAL,
    worm_amplitude_sigma_rad REAL,
    backlash_s REAL,
    events TEXT NOT NULL,  -- lines "t_s event": what the log says, and dithers as understood
    samples BLOB NOT NULL, -- t_s as 64-bit, then ra_rad, dec_rad, ra_pulse_s, dec_pulse_s,
                           -- lock_x_px, lock_y_px as 32-bit little-endian floats: 32 bytes each
    UNIQUE (content_id, number)
) STRICT;
CREATE INDEX guide_run_by_night ON guide_run (night_id);

CREATE TABLE change (
    id INTEGER PRIMARY KEY,
    origin TEXT NOT NULL CHECK (origin IN ('headers', 'owner')),
    night_id INTEGER REFERENCES night (id), -- the first night with the new state
    date TEXT NOT NULL,
    train_id INTEGER REFERENCES train (id),
    what TEXT NOT NULL,
    old_value TEXT,
    new_value TEXT,
    note TEXT NOT NULL DEFAULT ''
) STRICT;
CREATE INDEX change_by_date ON change (date);

-- What people read: one row a measured light frame.
CREATE VIEW sub AS
SELECT
    night.date AS night, frame.id AS frame_id, train.camera, train.telescope, frame.filter, frame.object, frame.tube_side,
    measure.channel,
    strftime('%Y-%m-%dT%H:%M:%fZ', frame.t_start_utc_s, 'unixepoch') AS start_utc, frame.t_start_utc_s,
    frame.exposure_s, frame.gain_setting, frame.offset_setting, frame.set_temperature_K - 273.15 AS set_temperature_c,
    frame.chip_temperature_K - 273.15 AS chip_temperature_c, frame.focuser_steps,
    frame.focuser_temperature_K - 273.15 AS focuser_temperature_c, frame.airmass, degrees(frame.altitude_rad) AS altitude_deg,
    degrees(frame.azimuth_rad) AS azimuth_deg, degrees(frame.ra_rad) AS ra_deg, degrees(frame.dec_rad) AS dec_deg,
    degrees(frame.rotator_rad) AS rotator_deg,
    degrees(frame.pixel_m / frame.focal_length_m) * 3600 AS scale_arcsec_per_px,
    measure.n_stars AS stars, measure.n_saturated AS stars_saturated, measure.n_streaks AS streaks, measure.background_adu, measure.noise_adu,
    measure.fwhm_px, measure.fwhm_sigma_px, measure.fwhm_px * degrees(frame.pixel_m / frame.focal_length_m) * 3600 AS fwhm_arcsec,
    measure.fwhm_px / pow(frame.airmass, 0.6) AS fwhm_zenith_px,
    measure.fwhm_px / pow(frame.airmass, 0.6) * degrees(frame.pixel_m / frame.focal_length_m) * 3600 AS fwhm_zenith_arcsec,
    measure.half_light_px, measure.neq_area_px2, measure.e1, measure.e2, measure.elongation, degrees(measure.elongation_angle_rad) AS elongation_angle_deg,
    measure.sky_slope_adu, measure.halo_ratio, measure.limit_mag
FROM frame
JOIN measure ON measure.frame_id = frame.id AND measure.channel IN ('mono', 'G')
JOIN train ON train.id = frame.train_id
LEFT JOIN night ON night.id = frame.night_id
WHERE frame.use = 'light' AND NOT frame.is_double;

-- One row a run of a guide log.
CREATE VIEW guiding AS
SELECT
    night.date AS night, guide_run.id AS run_id, guide_run.tube_side,
    strftime('%Y-%m-%dT%H:%M:%fZ', guide_run.start_utc_s, 'unixepoch') AS start_utc, guide_run.start_utc_s,
    duration_s / 3600 AS duration_h, interval_s, exposure_s, degrees(declination_rad) AS declination_deg, n_samples AS samples,
    n_used AS samples_used, n_dithers AS dithers, n_bursts AS bursts, n_gaps AS gaps,
    degrees(total_rms_logged_rad) * 3600 AS rms_logged_arcsec,
    degrees(sqrt(ra_motion_in_sub_rad * ra_motion_in_sub_rad + dec_motion_in_sub_rad * dec_motion_in_sub_rad)) * 3600 AS motion_in_sub_arcsec,
    degrees(ra_motion_in_sub_rad) * 3600 AS ra_motion_in_sub_arcsec, degrees(dec_motion_in_sub_rad) * 3600 AS dec_motion_in_sub_arcsec,
    degrees(ra_drift_rad_s) * 216000 AS ra_drift_arcsec_per_min, degrees(dec_drift_rad_s) * 216000 AS dec_drift_arcsec_per_min,
    ra_response, dec_response, worm_period_s, degrees(worm_amplitude_rad) * 3600 AS worm_amplitude_arcsec, backlash_s * 1000 AS backlash_ms
FROM guide_run
LEFT JOIN night ON night.id = guide_run.night_id;
