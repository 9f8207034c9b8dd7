/* map.c - files as memory (mmap, shared, read-only). */
#include "base/map.h"

#include <errno.h>
#include <fcntl.h>
#include <sys/mman.h>
#include <sys/stat.h>
#include <unistd.h>

#include "base/base_internal.h"

enum nw_status nw_map_open(const char *path, struct nw_map *ret, struct nw_err *err) {
    enum nw_status status = NW_OK;
    struct stat info;
    const int fd = open(path, O_RDONLY | O_CLOEXEC);
    if (fd < 0) {
        return base_fail_errno(path, "cannot be opened", errno, err);
    }
    if (fstat(fd, &info) != 0) {
        status = base_fail_errno(path, "cannot be looked at", errno, err);
    } else if (!S_ISREG(info.st_mode) || info.st_size <= 0) {
        status = nw_err_set(err, NW_FORMAT, "%s: not a file with anything in it", path);
    } else {
        void *const at = mmap(NULL, (size_t)info.st_size, PROT_READ, MAP_SHARED, fd, 0);
        if (at == MAP_FAILED) {
            status = base_fail_errno(path, "cannot be mapped", errno, err);
        } else {
            *ret = (struct nw_map){at, (size_t)info.st_size};
        }
    }
    (void)close(fd);
    return status;
}

void nw_map_close(struct nw_map *map) {
    if (map && map->data) {
        union {
            const unsigned char *from;
            void *to;
        } cast = {map->data};
        (void)munmap(cast.to, map->len);
        *map = (struct nw_map){NULL, 0};
    }
}
