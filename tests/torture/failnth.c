/* Makes the n-th file-system call of one kind below one folder fail, for LD_PRELOAD.
 *
 * Armed by the environment (FAILNTH_*) when it is loaded, or by failnth_arm() later. A call fails before it is done, or is done and then
 * said to have failed. One shot, or, with a flag file, from the n-th call on for as long as that file exists. Calls are counted across processes
 * in a shared file of two 64-bit numbers: calls seen, failures made.
 */
#define _GNU_SOURCE
#include <dlfcn.h>
#include <errno.h>
#include <fcntl.h>
#include <limits.h>
#include <stdarg.h>
#include <stdatomic.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/mman.h>
#include <sys/stat.h>
#include <sys/types.h>
#include <unistd.h>

static char the_call[32], below[PATH_MAX], flag[PATH_MAX];
static size_t below_len;
static uint64_t nth;
static int error_number, after_doing;
static _Atomic uint64_t *shared; /* [0] calls seen, [1] failures made */

#define REAL(name) ((__typeof__(&name))real(#name))

static void *real(const char *name) { return dlsym(RTLD_NEXT, name); }

void failnth_arm(const char *call, const char *folder, uint64_t n, int number, int after, const char *sticky, const char *counter)
{
    int fd = REAL(open)(counter, O_RDWR | O_CLOEXEC);
    if (fd < 0)
        abort();
    shared = mmap(NULL, 16, PROT_READ | PROT_WRITE, MAP_SHARED, fd, 0);
    REAL(close)(fd);
    if (shared == MAP_FAILED)
        abort();
    snprintf(below, sizeof below, "%s/", folder);
    below_len = strlen(below);
    snprintf(flag, sizeof flag, "%s", sticky);
    nth = n;
    error_number = number;
    after_doing = after;
    snprintf(the_call, sizeof the_call, "%s", call);
}

__attribute__((constructor)) static void arm_by_environment(void)
{
    const char *call = getenv("FAILNTH_CALL");
    if (call != NULL)
        failnth_arm(call, getenv("FAILNTH_BELOW"), strtoull(getenv("FAILNTH_N"), NULL, 10), atoi(getenv("FAILNTH_ERRNO")),
                    atoi(getenv("FAILNTH_AFTER")), getenv("FAILNTH_FLAG"), getenv("FAILNTH_COUNTER"));
}

static int fails_now(void)
{
    uint64_t number = atomic_fetch_add(&shared[0], 1) + 1;
    if (flag[0] != 0 ? number < nth || access(flag, F_OK) != 0 : number != nth)
        return 0;
    atomic_fetch_add(&shared[1], 1);
    return 1;
}

static int is_below(int dir, const char *path)
{
    char whole[2 * PATH_MAX], link[64], where[PATH_MAX];
    if (path[0] != '/') {
        snprintf(link, sizeof link, dir == AT_FDCWD ? "/proc/self/cwd" : "/proc/self/fd/%d", dir);
        ssize_t length = readlink(link, where, sizeof where - 1);
        if (length < 0)
            return 0;
        where[length] = 0;
        snprintf(whole, sizeof whole, "%s/%s", where, path);
        path = whole;
    }
    return strncmp(path, below, below_len) == 0;
}

/* Whether this call on a path, or on an open file, is the one to fail. */
static int path_fails(const char *call, int dir, const char *path)
{
    int before = errno;
    int fails = the_call[0] && strcmp(call, the_call) == 0 && is_below(dir, path) && fails_now();
    errno = before;
    return fails;
}

static int file_fails(const char *call, int fd)
{
    if (!the_call[0] || strcmp(call, the_call) != 0)
        return 0;
    int before = errno;
    char link[64], where[PATH_MAX];
    snprintf(link, sizeof link, "/proc/self/fd/%d", fd);
    ssize_t length = readlink(link, where, sizeof where - 1);
    int fails = length > 0 && (where[length] = 0, strncmp(where, below, below_len) == 0) && fails_now();
    errno = before;
    return fails;
}

#define FAIL_OR(fails, doing)                                                                                                      \
    do {                                                                                                                           \
        if (!(fails))                                                                                                              \
            return doing;                                                                                                          \
        if (after_doing)                                                                                                           \
            (void)!(doing);                                                                                                        \
        errno = error_number;                                                                                                      \
        return -1;                                                                                                                 \
    } while (0)

ssize_t write(int fd, const void *data, size_t size) { FAIL_OR(file_fails("write", fd), REAL(write)(fd, data, size)); }
ssize_t pwrite(int fd, const void *data, size_t size, off_t at) { FAIL_OR(file_fails("pwrite", fd), REAL(pwrite)(fd, data, size, at)); }
ssize_t pwrite64(int fd, const void *data, size_t size, off64_t at) { FAIL_OR(file_fails("pwrite", fd), REAL(pwrite64)(fd, data, size, at)); }
int fsync(int fd) { FAIL_OR(file_fails("fsync", fd), REAL(fsync)(fd)); }
int fdatasync(int fd) { FAIL_OR(file_fails("fdatasync", fd), REAL(fdatasync)(fd)); }
int mkdir(const char *path, mode_t mode) { FAIL_OR(path_fails("mkdir", AT_FDCWD, path), REAL(mkdir)(path, mode)); }
int mkdirat(int dir, const char *path, mode_t mode) { FAIL_OR(path_fails("mkdir", dir, path), REAL(mkdirat)(dir, path, mode)); }
int rename(const char *from, const char *to) { FAIL_OR(path_fails("rename", AT_FDCWD, to), REAL(rename)(from, to)); }
int renameat(int a, const char *from, int b, const char *to) { FAIL_OR(path_fails("rename", b, to), REAL(renameat)(a, from, b, to)); }
int renameat2(int a, const char *from, int b, const char *to, unsigned flags)
{
    FAIL_OR(path_fails("rename", b, to), REAL(renameat2)(a, from, b, to, flags));
}

/* A close always closes; what it may do besides is to tell of a write that failed. */
int close(int fd)
{
    int writes = the_call[0] && strcmp("close", the_call) == 0 && (fcntl(fd, F_GETFL) & O_ACCMODE) > O_RDONLY;
    int fails = writes && file_fails("close", fd);
    int answer = REAL(close)(fd);
    if (fails) {
        errno = error_number;
        return -1;
    }
    return answer;
}

#define OPEN(name, path, dir, ...)                                                                                                 \
    mode_t mode = 0;                                                                                                               \
    if (flags & (O_CREAT | __O_TMPFILE)) {                                                                                         \
        va_list more;                                                                                                              \
        va_start(more, flags);                                                                                                     \
        mode = va_arg(more, mode_t);                                                                                               \
        va_end(more);                                                                                                              \
    }                                                                                                                              \
    if (path_fails("open", dir, path)) {                                                                                           \
        errno = error_number;                                                                                                      \
        return -1;                                                                                                                 \
    }                                                                                                                              \
    return REAL(name)(__VA_ARGS__, flags, mode)

int open(const char *path, int flags, ...) { OPEN(open, path, AT_FDCWD, path); }
int open64(const char *path, int flags, ...) { OPEN(open64, path, AT_FDCWD, path); }
int openat(int dir, const char *path, int flags, ...) { OPEN(openat, path, dir, dir, path); }
int openat64(int dir, const char *path, int flags, ...) { OPEN(openat64, path, dir, dir, path); }
