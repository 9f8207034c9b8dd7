/* book_support.h - a fresh folder with a book and small frames for the tests of book. */
#ifndef NW_TEST_BOOK_SUPPORT_H
#define NW_TEST_BOOK_SUPPORT_H

#include <stdbool.h>
#include <unistd.h>

#include "book/book.h"
#include "check.h"

struct place {
    char folder[64];
    struct nw_book *book;
};

static inline const char *in(const struct place *place, const char *name, char path[static 200]) {
    (void)snprintf(path, 200, "%s/%s", place->folder, name);
    return path;
}

static inline void ok_at(enum nw_status status, const struct nw_err *err, const char *file,
                         int line) {
    if (status != NW_OK) {
        print_error("%s\n", err->text);
        _fail(file, line);
    }
}
#define ok(status, err) ok_at((status), (err), __FILE__, __LINE__)

static inline int place_setup(void **state) {
    static struct place place;
    place = (struct place){.folder = "/tmp/nw-test-book-XXXXXX"};
    *state = &place;
    if (!mkdtemp(place.folder)) {
        return -1;
    }
    char path[200];
    struct nw_err err = {0};
    return nw_book_open(in(&place, "book.sqlite", path), NW_BOOK_CREATE, &place.book, &err) == NW_OK
               ? 0
               : -1;
}

static inline int place_teardown(void **state) {
    struct place *const place = *state;
    char command[200];
    nw_book_close(place->book);
    place->book = NULL;
    (void)snprintf(command, sizeof command, "rm -rf '%s'", place->folder);
    return system(command); /* NOLINT(cert-env33-c): our own folder */
}

/* What a small frame says of itself. */
struct words {
    const char *date, *use, *gain, *software, *filter; /* NULL: not said */
    unsigned seed;                                     /* of its pixels */
    const char *exposure, *temperature, *rotator;      /* 60 s when not said; degrees */
};

/* 96 x 96 px of noise from a linear congruence (Knuth, MMIX) with one square star. */
static inline void write_frame(const struct place *place, const char *name,
                               const struct words *words) {
    enum { SIDE = 96 };
    static uint16_t px[SIDE * SIDE];
    uint64_t random = words->seed + 1;
    for (size_t i = 0; i < sizeof px / sizeof px[0]; i++) {
        random = random * 6364136223846793005U + 1442695040888963407U;
        px[i] = (uint16_t)(1000 + (random >> 59));
    }
    for (size_t y = 40; y < 43; y++) {
        for (size_t x = 40; x < 43; x++) {
            px[y * SIDE + x] = 9000;
        }
    }
    struct nw_card cards[14];
    size_t n = 0;
    memset(cards, 0, sizeof cards);
    const struct {
        const char *key, *value;
        bool is_text;
    } all[] = {
        {"DATE-OBS", words->date, true},
        {"EXPTIME", words->exposure ? words->exposure : "60", false},
        {"IMAGETYP", words->use, true},
        {"GAIN", words->gain, false},
        {"SWCREATE", words->software, true},
        {"FILTER", words->filter, true},
        {"INSTRUME", "cooled mono", true},
        {"SITELONG", "15.0", false},
        {"XPIXSZ", "3.76", false},
        {"FOCALLEN", "644", false},
        {"SET-TEMP", words->temperature, false},
        {"ROTATANG", words->rotator, false},
    };
    for (size_t i = 0; i < sizeof all / sizeof all[0]; i++) {
        if (all[i].value) {
            nw_text_copy(cards[n].key, sizeof cards[n].key, all[i].key);
            nw_text_copy(cards[n].value, sizeof cards[n].value, all[i].value);
            cards[n++].is_text = all[i].is_text;
        }
    }
    const struct nw_frame_out out = {.px = px,
                                     .bitpix = 16,
                                     .width_px = SIDE,
                                     .height_px = SIDE,
                                     .n_planes = 1,
                                     .cards = cards,
                                     .n_cards = n};
    char path[200];
    struct nw_err err = {0};
    ok(nw_frame_write(in(place, name, path), &out, &err), &err);
}

static inline struct nw_book_added add_all(const struct place *place) {
    const struct nw_book_add_opts opts = {.longitude_rad = NAN, .n_threads = 1};
    const char *const paths[] = {place->folder};
    struct nw_book_added added = {0};
    struct nw_err err = {0};
    ok(nw_book_add(place->book, paths, 1, &opts, NULL, &added, &err), &err);
    return added;
}

/* The same where only the book matters. */
static inline void take_all(const struct place *place) {
    struct nw_book_added added = add_all(place);
    nw_book_added_done(&added);
}

#endif
