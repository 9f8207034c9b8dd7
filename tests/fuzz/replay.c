/* replay.c - runs every file of a corpus folder through a fuzz target, with any compiler. */
#include "base/base.h"
#include "fuzz.h"

enum { INPUT_MAX = 16 << 20 };

static int replay(const char *path) {
    char *data = NULL;
    size_t len = 0;
    struct nw_err err = {0};
    if (nw_file_read(path, INPUT_MAX, &data, &len, &err) != NW_OK) {
        (void)fprintf(stderr, "%s\n", err.text);
        return 1;
    }
    /* a block of exactly this size, so that the sanitizers see the first byte read behind it */
    uint8_t *const exact = malloc(len ? len : 1);
    int failed = !exact;
    if (exact) {
        memcpy(exact, data, len);
        (void)printf("%s\n", path);
        (void)fflush(stdout);
        failed = LLVMFuzzerTestOneInput(exact, len) != 0;
    }
    free(exact);
    free(data);
    return failed;
}

int main(int argc, char **argv) {
    if (argc != 2) {
        (void)fprintf(stderr, "usage: %s CORPUS_FOLDER\n", argv[0]);
        return 2;
    }
    struct nw_paths paths = {0};
    struct nw_err err = {0};
    if (nw_file_list(argv[1], NULL, 0, &paths, &err) != NW_OK || paths.n == 0) {
        (void)fprintf(stderr, "%s\n", paths.n == 0 && !*err.text ? "empty corpus" : err.text);
        return 1;
    }
    int n_failed = 0;
    for (size_t i = 0; i < paths.n; i++) {
        n_failed += replay(paths.items[i]);
    }
    (void)printf("%zu inputs replayed, %d failed\n", paths.n, n_failed);
    nw_paths_done(&paths);
    return n_failed > 0;
}
