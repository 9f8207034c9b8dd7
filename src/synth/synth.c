/* synth.c - one simulated night: scene, walk through time, frames in parallel, files.
 * Holds: the folder is new or empty at the start; on failure everything written is gone again. */
#include "synth/climate.h"
#include "synth/synth_internal.h"

#include <dirent.h>
#include <errno.h>
#include <math.h>
#include <sys/stat.h>
#include <unistd.h>

struct frames_work {
    struct synth_job job;
    struct synth_frame_truth *truths;
    enum nw_status *status;
    struct nw_err *errors;
};

static void make_frame(void *user, size_t i) {
    struct frames_work *work = user;
    work->status[i] = nw_synth_frame_make(&work->job, i, &work->truths[i], &work->errors[i]);
}

static enum nw_status make_frames(struct frames_work *work, const struct nw_progress *progress,
                                  struct nw_err *err) {
    const size_t n = work->job.night->n_subs;
    work->truths = nw_calloc(n, sizeof *work->truths);
    work->status = nw_calloc(n, sizeof *work->status);
    work->errors = nw_calloc(n, sizeof *work->errors);
    if (!work->truths || !work->status || !work->errors) {
        return nw_err_set(err, NW_NOMEM, "night of %zu frames", n);
    }
    const size_t done =
        nw_parallel_for(n, work->job.scene->opts.n_threads, make_frame, work, progress);
    for (size_t i = 0; i < n; i++) {
        if (work->status[i] != NW_OK) {
            return nw_err_set(err, work->status[i], "%s", work->errors[i].text);
        }
    }
    return done == n ? NW_OK : nw_err_set(err, NW_IO, "stopped after %zu of %zu frames", done, n);
}

/* Path of a file in the folder; yours to free; NULL: out of memory. */
static char *path_in(const char *folder, const char *name) {
    struct nw_buf path;
    nw_buf_init(&path, 8192);
    nw_buf_printf(&path, "%s/%s", folder, name);
    if (nw_buf_failed(&path)) {
        nw_buf_done(&path);
        return NULL;
    }
    return path.data;
}

enum nw_status nw_synth_folder_open(const char *folder, bool *ret_made, struct nw_err *err) {
    if (mkdir(folder, 0777) == 0) {
        *ret_made = true;
        return NW_OK;
    }
    if (errno != EEXIST) {
        return nw_err_set(err, errno == ENOENT ? NW_NOTFOUND : NW_IO, "cannot make folder %s: %s",
                          folder, strerror(errno));
    }
    DIR *dir = opendir(folder);
    if (!dir) {
        return nw_err_set(err, NW_IO, "cannot open folder %s: %s", folder, strerror(errno));
    }
    bool is_empty = true;
    for (const struct dirent *entry = readdir(dir); entry; entry = readdir(dir)) {
        if (strcmp(entry->d_name, ".") != 0 && strcmp(entry->d_name, "..") != 0) {
            is_empty = false;
        }
    }
    (void)closedir(dir);
    *ret_made = false;
    return is_empty ? NW_OK
                    : nw_err_set(err, NW_DOMAIN,
                                 "folder %s is not empty; name a new or an empty one", folder);
}

enum { N_TABLES = 7 };
static const char *const TABLES[N_TABLES] = {"guide.csv",  "stars.csv", "truth.json",
                                             "focus.csv",  "power.csv", "power_truth.json",
                                             "climate.csv"};

/* Removes what a failed run may have written; the folder was empty before. */
static void clean_folder(const char *folder, size_t n_subs, bool made) {
    for (size_t i = 0; i < n_subs + N_TABLES; i++) {
        char name[48];
        if (i < n_subs) {
            nw_synth_frame_name(i, name, sizeof name);
        } else {
            nw_text_copy(name, sizeof name, TABLES[i - n_subs]);
        }
        char *path = path_in(folder, name);
        if (path) {
            (void)unlink(path);
        }
        free(path);
    }
    if (made) {
        (void)rmdir(folder);
    }
}

static enum nw_status write_tables(const struct frames_work *work, const struct synth_air *air,
                                   struct nw_err *err) {
    const struct synth_job *job = &work->job;
    struct nw_synth_climate_truth climate;
    bool has_climate = false;
    char *paths[N_TABLES] = {NULL};
    enum nw_status status = NW_OK;
    for (int i = 0; i < N_TABLES; i++) {
        paths[i] = path_in(job->folder, TABLES[i]);
        if (!paths[i]) {
            status = nw_err_set(err, NW_NOMEM, "path of %s", TABLES[i]);
        }
    }
    if (status == NW_OK) {
        status = nw_synth_guide_write(job->scene, job->night, paths[0], err);
    }
    if (status == NW_OK) {
        status = nw_synth_stars_write(job, paths[1], err);
    }
    if (status == NW_OK) {
        status = nw_synth_focus_write(job->scene, job->night, paths[3], err);
    }
    if (status == NW_OK) {
        status = nw_synth_power_write(job->scene, job->night, paths[4], paths[5], err);
    }
    if (status == NW_OK) {
        status =
            nw_synth_climate_write(job->scene, job->night, paths[6], &climate, &has_climate, err);
    }
    if (status == NW_OK) {
        struct synth_job told = *job;
        told.climate = has_climate ? &climate : NULL;
        status = nw_synth_truth_write(&told, air, work->truths, paths[2], err);
    }
    for (int i = 0; i < N_TABLES; i++) {
        free(paths[i]);
    }
    return status;
}

/* All that is computed before the first file: it may fail without touching the disk. */
struct prepared {
    struct synth_scene scene;
    struct synth_air air;
    struct synth_night night;
    struct synth_field field;
    struct synth_psf_plan plan;
};

static enum nw_status prepare(const struct nw_rig *rig, const char *setup,
                              const struct nw_synth_opts *opts, struct prepared *all,
                              struct nw_err *err) {
    enum nw_status status = nw_synth_scene_init(rig, setup, opts, &all->scene, err);
    if (status == NW_OK) {
        const double longest_s =
            (double)all->scene.opts.n_subs * (all->scene.sub_s + 240.0) + 600.0;
        status = nw_synth_air_init(&all->scene, longest_s, &all->air, err);
    }
    if (status == NW_OK) {
        status = nw_synth_night_run(&all->scene, &all->air, &all->night, err);
    }
    if (status == NW_OK) {
        status = nw_synth_field_init(&all->scene, &all->field, err);
    }
    if (status == NW_OK) {
        status = nw_synth_psf_plan_init(&all->scene, &all->plan, err);
    }
    return status;
}

enum nw_status nw_synth_night(const struct nw_rig *rig, const char *setup,
                              const struct nw_synth_opts *opts, const char *folder,
                              const struct nw_progress *progress, struct nw_err *err) {
    struct prepared *all = nw_calloc(1, sizeof *all);
    struct frames_work work = {.truths = NULL};
    bool is_open = false;
    bool made = false;
    enum nw_status status = NW_OK;
    if (!all) {
        return nw_err_set(err, NW_NOMEM, "simulated night");
    }
    status = prepare(rig, setup, opts, all, err);
    if (status != NW_OK) {
        goto done;
    }
    status = nw_synth_folder_open(folder, &made, err);
    if (status != NW_OK) {
        goto done;
    }
    is_open = true;
    work.job = (struct synth_job){&all->scene, &all->plan, &all->night, &all->field, folder, NULL};
    status = make_frames(&work, progress, err);
    if (status == NW_OK) {
        status = write_tables(&work, &all->air, err);
    }
done:
    if (status != NW_OK && is_open) {
        clean_folder(folder, all->scene.opts.n_subs, made);
    }
    free(work.truths);
    free(work.status);
    free(work.errors);
    nw_synth_psf_plan_done(&all->plan);
    nw_synth_field_done(&all->field);
    nw_synth_night_done(&all->night);
    nw_synth_air_done(&all->air);
    free(all);
    return status;
}
