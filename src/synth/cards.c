/* cards.c - a simulated sub as FITS, with the cards that capture programs usually write. */
#include "image/image.h"
#include "synth/synth_internal.h"

#include <math.h>
#include <stdarg.h>

enum { MAX_CARDS = 48 };

struct cards {
    struct nw_card items[MAX_CARDS];
    size_t n;
};

static struct nw_card *add(struct cards *cards, const char *key, const char *comment) {
    struct nw_card *card = &cards->items[cards->n++];
    nw_text_copy(card->key, sizeof card->key, key);
    nw_text_copy(card->comment, sizeof card->comment, comment);
    return card;
}

static void add_text(struct cards *cards, const char *key, const char *value, const char *comment) {
    struct nw_card *card = add(cards, key, comment);
    nw_text_copy(card->value, sizeof card->value, value);
    card->is_text = true;
}

static void add_number(struct cards *cards, const char *key, double value, int decimals,
                       const char *comment) {
    if (isfinite(value)) {
        struct nw_card *card = add(cards, key, comment);
        (void)snprintf(card->value, sizeof card->value, "%.*f", decimals, value);
    }
}

static void add_camera(const struct synth_scene *scene, struct cards *cards) {
    const struct synth_camera *camera = &scene->camera;
    add_number(cards, "GAIN", 100.0, 0, "camera's own number");
    add_number(cards, "OFFSET", round(camera->offset_adu / 10.0), 0, "camera's own number");
    add_number(cards, "EGAIN", camera->gain_e, 5, "[e/adu]");
    add_number(cards, "RDNOISE", camera->read_noise_e, 3, "[e]");
    add_number(cards, "SET-TEMP", -10.0, 1, "[degC]");
    add_number(cards, "CCD-TEMP", -10.0, 1, "[degC]");
    add_number(cards, "XPIXSZ", camera->pixel_m * 1e6, 4, "[um] with binning");
    add_number(cards, "YPIXSZ", camera->pixel_m * 1e6, 4, "[um] with binning");
    add_number(cards, "XBINNING", camera->binning, 0, "");
    add_number(cards, "YBINNING", camera->binning, 0, "");
    if (camera->pattern[0]) {
        add_text(cards, "BAYERPAT", camera->pattern, "");
    }
    add_text(cards, "INSTRUME", scene->setup->camera.name, "");
    add_text(cards, "TELESCOP", scene->setup->telescope.name, "");
    add_number(cards, "FOCALLEN", scene->optics.focal_m * 1e3, 2, "[mm]");
    add_number(cards, "APTDIA", scene->optics.aperture_m * 1e3, 2, "[mm]");
}

static void add_sub(const struct synth_scene *scene, const struct synth_sub *sub,
                    struct cards *cards) {
    char time[40];
    nw_time_write_iso(scene->t_start_utc_s + sub->start_s, 3, time, sizeof time);
    const size_t length = strlen(time);
    if (length > 0 && time[length - 1] == 'Z') {
        time[length - 1] = '\0'; /* FITS 4.0, sec. 9.1.1: no zone letter */
    }
    add_text(cards, "DATE-OBS", time, "UTC, start of exposure");
    add_text(cards, "TIMESYS", "UTC", "");
    add_number(cards, "EXPTIME", scene->sub_s, 3, "[s]");
    add_number(cards, "AIRMASS", sub->pointing.airmass, 5, "mid-exposure");
    add_number(cards, "CENTALT", sub->pointing.altitude_rad * NW_DEG_PER_RAD, 4, "[deg]");
    add_number(cards, "CENTAZ", sub->pointing.azimuth_rad * NW_DEG_PER_RAD, 4, "[deg]");
    add_text(cards, "PIERSIDE", scene->hang.tube_side < 0 ? "West" : "East", "of the tube");
    if (isfinite(scene->hang.rotator_rad)) {
        add_number(cards, "ROTATANG", scene->hang.rotator_rad * NW_DEG_PER_RAD, 2, "[deg]");
    }
    if (scene->setup->has_focuser) {
        add_number(cards, "FOCUSPOS", sub->focus_steps, 0, "[steps]");
        add_number(cards, "FOCTEMP", sub->temperature_K - NW_ZERO_CELSIUS_K, 2, "[degC]");
    }
}

enum nw_status nw_synth_frame_write(const struct synth_job *job, size_t index,
                                    const uint16_t *counts, struct nw_err *err) {
    const struct synth_scene *scene = job->scene;
    struct cards cards = {.n = 0};
    add_text(&cards, "IMAGETYP", "LIGHT", "");
    add_text(&cards, "OBJECT", "simulated field", "");
    add_text(&cards, "FILTER", scene->filters[job->night->subs[index].filter]->name, "");
    add_sub(scene, &job->night->subs[index], &cards);
    add_camera(scene, &cards);
    add_number(&cards, "RA", scene->ra_rad * NW_DEG_PER_RAD, 6, "[deg] ICRS");
    add_number(&cards, "DEC", scene->dec_rad * NW_DEG_PER_RAD, 6, "[deg] ICRS");
    add_number(&cards, "SITELAT", scene->place.latitude_rad * NW_DEG_PER_RAD, 5, "[deg]");
    add_number(&cards, "SITELONG", scene->place.longitude_rad * NW_DEG_PER_RAD, 5, "[deg] east +");
    add_number(&cards, "SITEELEV", scene->place.elevation_m, 1, "[m]");
    add_text(&cards, "SWCREATE", "nightwright synth", "simulated, no real sky");
    char name[48];
    nw_synth_frame_name(index, name, sizeof name);
    struct nw_buf path;
    nw_buf_init(&path, 8192);
    nw_buf_printf(&path, "%s/%s", job->folder, name);
    enum nw_status status = NW_OK;
    if (nw_buf_failed(&path)) {
        status = nw_err_set(err, NW_NOMEM, "name of frame %zu", index + 1);
    } else {
        const struct nw_frame_out out = {.px = counts,
                                         .bitpix = 16,
                                         .width_px = scene->camera.width_px,
                                         .height_px = scene->camera.height_px,
                                         .n_planes = 1,
                                         .cards = cards.items,
                                         .n_cards = cards.n};
        status = nw_frame_write(path.data, &out, err);
    }
    nw_buf_done(&path);
    return status;
}

void nw_synth_frame_name(size_t index, char *name, size_t size) {
    (void)snprintf(name, size, "light_%04zu.fits", index + 1);
}
