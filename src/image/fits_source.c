/* fits_source.c - the bytes of a FITS file, plain or gzipped as a whole.
 * Idea: a plain file is read by place (pread), so nothing is held and nothing is interpreted in
 * its name. A gzipped file is unpacked as a stream that only moves forward and keeps one piece:
 * headers and pixels are wanted in file order, so a decompression bomb costs time (bounded by
 * MAX_UNPACKED) but no memory.
 * Holds: 1. only regular files are opened, and opening never blocks. 2. deflate cannot expand more
 * than 1032 : 1 (zlib technical details, "maximum compression factor"), so a gzipped file of n
 * bytes bounds what can follow.
 * Format: gzip RFC 1952 (several members allowed). */
#include <errno.h>
#include <fcntl.h>
#include <sys/stat.h>
#include <unistd.h>
#include <zlib.h>

#include "image/fits_internal.h"

#define MAX_UNPACKED (UINT64_C(2) << 30)
enum { MAX_EXPANSION = 1032, IN_BYTES = 1 << 16, SKIP_BYTES = 1 << 16, VERIFY_BYTES = 1 << 24 };

struct nw_fits_gzip {
    z_stream stream;
    bool is_ended;
    uint64_t in_at;  /* next byte of the file to read */
    uint64_t out_at; /* unpacked bytes handed out */
    unsigned char in[IN_BYTES];
    unsigned char skipped[SKIP_BYTES];
};

static enum nw_status pread_all(int fd, uint64_t at, unsigned char *to, size_t n, size_t *ret_got,
                                struct nw_err *err) {
    size_t got = 0;
    while (got < n) {
        const ssize_t more = pread(fd, to + got, n - got, (off_t)(at + got));
        if (more < 0 && errno == EINTR) {
            continue;
        }
        if (more < 0) {
            return nw_err_set(err, NW_IO, "reading failed: %s", strerror(errno));
        }
        if (more == 0) {
            break;
        }
        got += (size_t)more;
    }
    *ret_got = got;
    return NW_OK;
}

/* The first bytes say what it is; what is packed otherwise gets its own message. */
static enum nw_status look_at_start(struct nw_fits_source *source, bool *ret_is_gzip,
                                    struct nw_err *err) {
    unsigned char start[6] = {0};
    size_t got = 0;
    const enum nw_status status = pread_all(source->fd, 0, start, sizeof start, &got, err);
    if (status != NW_OK) {
        return status;
    }
    *ret_is_gzip = got >= 2 && start[0] == 0x1f && start[1] == 0x8b;
    if (*ret_is_gzip || (got == 6 && memcmp(start, "SIMPLE", 6) == 0)) {
        return NW_OK;
    }
    if (got == 0) {
        return nw_err_set(err, NW_FORMAT, "the file is empty");
    }
    if (got >= 3 && memcmp(start, "BZh", 3) == 0) {
        return nw_err_set(err, NW_FORMAT,
                          "compressed with bzip2, which is not read: unpack it first (bunzip2)");
    }
    if (got == 6 && memcmp(start,
                           "\xfd"
                           "7zXZ",
                           6) == 0) {
        return nw_err_set(err, NW_FORMAT,
                          "compressed with xz, which is not read: unpack it first (unxz)");
    }
    return nw_err_set(err, NW_FORMAT, "not a FITS file: it does not begin with SIMPLE");
}

static enum nw_status gzip_new(struct nw_fits_gzip **ret, struct nw_err *err) {
    struct nw_fits_gzip *const gzip = nw_calloc(1, sizeof *gzip);
    if (!gzip || inflateInit2(&gzip->stream, 16 + MAX_WBITS) != Z_OK) {
        free(gzip);
        return nw_err_set(err, NW_NOMEM, "unpacking buffer");
    }
    *ret = gzip;
    return NW_OK;
}

enum nw_status nw_fits_source_init(struct nw_fits_source *source, const char *path,
                                   struct nw_err *err) {
    *source = (struct nw_fits_source){.path = path, .fd = -1};
    enum nw_status status = NW_OK;
    bool is_gzip = false;
    struct stat info;
    source->fd = open(path, O_RDONLY | O_CLOEXEC | O_NONBLOCK | O_NOCTTY);
    if (source->fd < 0) {
        const bool is_absent = errno == ENOENT || errno == ENOTDIR;
        return nw_err_set(err, is_absent ? NW_NOTFOUND : NW_IO, "cannot open: %s",
                          is_absent ? "no such file" : strerror(errno));
    }
    if (fstat(source->fd, &info) != 0) {
        status = nw_err_set(err, NW_IO, "cannot look at the file: %s", strerror(errno));
        goto done;
    }
    if (!S_ISREG(info.st_mode)) {
        status = nw_err_set(err, NW_FORMAT, "%s, not a regular file",
                            S_ISDIR(info.st_mode) ? "a folder" : "a device or pipe");
        goto done;
    }
    source->file_bytes = (uint64_t)info.st_size;
    status = look_at_start(source, &is_gzip, err);
    if (status == NW_OK && is_gzip) {
        status = gzip_new(&source->gzip, err);
    }
done:
    if (status != NW_OK) {
        nw_fits_source_done(source);
    }
    return status;
}

void nw_fits_source_done(struct nw_fits_source *source) {
    if (source->gzip) {
        (void)inflateEnd(&source->gzip->stream);
        free(source->gzip);
    }
    if (source->fd >= 0) {
        (void)close(source->fd);
    }
    *source = (struct nw_fits_source){.fd = -1};
}

/* Keeps the input filled; at the end of the file avail_in stays 0. */
static enum nw_status gzip_fill(struct nw_fits_source *source, struct nw_err *err) {
    struct nw_fits_gzip *const gzip = source->gzip;
    if (gzip->stream.avail_in > 0) {
        return NW_OK;
    }
    size_t got = 0;
    const enum nw_status status =
        pread_all(source->fd, gzip->in_at, gzip->in, sizeof gzip->in, &got, err);
    if (status == NW_OK) {
        gzip->in_at += got;
        gzip->stream.next_in = gzip->in;
        gzip->stream.avail_in = (uInt)got;
    }
    return status;
}

/* One member ended: a further one may follow; padding after the last is no member. */
static enum nw_status gzip_next_member(struct nw_fits_source *source, struct nw_err *err) {
    struct nw_fits_gzip *const gzip = source->gzip;
    const enum nw_status status = gzip_fill(source, err);
    if (status != NW_OK) {
        return status;
    }
    if (gzip->stream.avail_in == 0 || gzip->stream.next_in[0] != 0x1f) {
        gzip->is_ended = true;
        return NW_OK;
    }
    if (inflateReset(&gzip->stream) != Z_OK) {
        return nw_err_set(err, NW_FORMAT, "damaged gzip stream after %llu unpacked bytes",
                          (unsigned long long)gzip->out_at);
    }
    return NW_OK;
}

/* Unpacks up to n bytes; fewer only at the end of the stream, or where the file is cut. */
static enum nw_status gzip_read(struct nw_fits_source *source, unsigned char *to, size_t n,
                                size_t *ret_got, struct nw_err *err) {
    struct nw_fits_gzip *const gzip = source->gzip;
    size_t got = 0;
    enum nw_status status = NW_OK;
    while (status == NW_OK && got < n && !gzip->is_ended) {
        status = gzip_fill(source, err);
        if (status != NW_OK || gzip->stream.avail_in == 0) {
            gzip->is_ended = true; /* cut off: the reader says how much is missing */
            break;
        }
        const size_t want = n - got < NW_FITS_PIECE ? n - got : NW_FITS_PIECE;
        gzip->stream.next_out = to + got;
        gzip->stream.avail_out = (uInt)want;
        const int code = inflate(&gzip->stream, Z_NO_FLUSH);
        const size_t made = want - gzip->stream.avail_out;
        got += made;
        gzip->out_at += made;
        if (code == Z_STREAM_END) {
            status = gzip_next_member(source, err);
        } else if (code != Z_OK && code != Z_BUF_ERROR) {
            status = nw_err_set(err, NW_FORMAT, "damaged gzip stream after %llu unpacked bytes",
                                (unsigned long long)gzip->out_at);
        } else if (gzip->out_at > MAX_UNPACKED) {
            status = nw_err_set(err, NW_LIMIT, "unpacks to more than %llu bytes",
                                (unsigned long long)MAX_UNPACKED);
        }
    }
    *ret_got = got;
    return status;
}

enum nw_status nw_fits_source_read(struct nw_fits_source *source, uint64_t at, void *to, size_t n,
                                   size_t *ret_got, struct nw_err *err) {
    *ret_got = 0;
    if (!source->gzip) {
        return at >= source->file_bytes ? NW_OK : pread_all(source->fd, at, to, n, ret_got, err);
    }
    struct nw_fits_gzip *const gzip = source->gzip;
    while (gzip->out_at < at && !gzip->is_ended) {
        const uint64_t left = at - gzip->out_at;
        const size_t want = left < SKIP_BYTES ? (size_t)left : SKIP_BYTES;
        size_t got = 0;
        const enum nw_status status = gzip_read(source, gzip->skipped, want, &got, err);
        if (status != NW_OK) {
            return status;
        }
    }
    return gzip->out_at == at ? gzip_read(source, to, n, ret_got, err) : NW_OK;
}

uint64_t nw_fits_source_room(const struct nw_fits_source *source, uint64_t at) {
    uint64_t end = source->file_bytes;
    if (source->gzip) {
        end = end > MAX_UNPACKED / MAX_EXPANSION ? MAX_UNPACKED : end * MAX_EXPANSION;
    }
    return end > at ? end - at : 0;
}

enum nw_status nw_fits_source_verify(struct nw_fits_source *source, struct nw_err *err) {
    if (!source->gzip) {
        return NW_OK;
    }
    const uint64_t last = source->gzip->out_at + VERIFY_BYTES;
    while (!source->gzip->is_ended && source->gzip->out_at < last) {
        size_t got = 0;
        const enum nw_status status =
            gzip_read(source, source->gzip->skipped, SKIP_BYTES, &got, err);
        if (status != NW_OK) {
            return status;
        }
    }
    return NW_OK;
}
