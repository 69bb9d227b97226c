/* Steps the wall clock of a live process under test; boot time, monotonic time and sleeps stay real.
   Build: cc -shared -fPIC -o wallstep.so wallstep.c -ldl
   Use:   WALL_FILE=offset LD_PRELOAD=./wallstep.so PROGRAM
   The file holds one native long, the offset in seconds. It is mapped, so a change takes effect at once. */
#define _GNU_SOURCE
#include <dlfcn.h>
#include <fcntl.h>
#include <stdlib.h>
#include <sys/mman.h>
#include <sys/time.h>
#include <time.h>
#include <unistd.h>

static volatile long *offset_s;
static int (*real_clock_gettime)(clockid_t, struct timespec *);

static void prepare(void) {
    if (real_clock_gettime)
        return;
    const char *name = getenv("WALL_FILE");
    int file = name ? open(name, O_RDONLY) : -1;
    if (file >= 0) {
        void *place = mmap(0, sizeof(long), PROT_READ, MAP_SHARED, file, 0);
        offset_s = place == MAP_FAILED ? 0 : place;
    }
    real_clock_gettime = dlsym(RTLD_NEXT, "clock_gettime");
}

int clock_gettime(clockid_t clock, struct timespec *now) {
    prepare();
    int result = real_clock_gettime(clock, now);
    if (result == 0 && offset_s && (clock == CLOCK_REALTIME || clock == CLOCK_REALTIME_COARSE))
        now->tv_sec += *offset_s;
    return result;
}

int gettimeofday(struct timeval *now, void *zone) {
    struct timespec spec;
    (void)zone;
    clock_gettime(CLOCK_REALTIME, &spec);
    now->tv_sec = spec.tv_sec;
    now->tv_usec = spec.tv_nsec / 1000;
    return 0;
}

time_t time(time_t *where) {
    struct timespec spec;
    clock_gettime(CLOCK_REALTIME, &spec);
    if (where)
        *where = spec.tv_sec;
    return spec.tv_sec;
}
