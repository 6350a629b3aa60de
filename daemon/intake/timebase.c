// SPDX-License-Identifier: Apache-2.0
/*
 * timebase.c - elapsed time from the boot clock, or from a simulated board.
 *
 * Asked often and from many threads: readers take no lock.
 */
#include "timebase.h"

#include <errno.h>
#include <fcntl.h>
#include <pthread.h>
#include <stdatomic.h>
#include <stdlib.h>
#include <string.h>
#include <sys/random.h>
#include <time.h>
#include <unistd.h>

struct timebase {
    pthread_mutex_t taking_over;
    atomic_bool driven;
    _Atomic int64_t since_ns; /* simulated time since the take-over */
    int64_t start_ns;         /* elapsed and wall time then; fixed once `driven` is true */
    int64_t wall_start_ns;
    uint8_t system_boot[16];
    uint8_t simulated_boot[16];
};

static int64_t read_clock(clockid_t clock) {
    struct timespec now;
    clock_gettime(clock, &now);
    return (int64_t)now.tv_sec * 1000000000 + now.tv_nsec;
}

/* The kernel's boot id, "xxxxxxxx-xxxx-...", 32 hexadecimal digits; zeros where it cannot be had.
 */
static void read_boot_id(uint8_t boot[16]) {
    char text[64] = "";
    size_t digits = 0;
    int file = open("/proc/sys/kernel/random/boot_id", O_RDONLY | O_CLOEXEC);
    memset(boot, 0, 16);
    if (file < 0)
        return;
    ssize_t length = read(file, text, sizeof text - 1);
    close(file);
    for (ssize_t i = 0; i < length && digits < 32; i++) {
        const char hexadecimal[] = "0123456789abcdef";
        const char *digit = text[i] != '\0' ? strchr(hexadecimal, text[i]) : NULL;
        if (digit == NULL)
            continue;
        unsigned value = (unsigned)(digit - hexadecimal);
        boot[digits / 2] = (uint8_t)((unsigned)boot[digits / 2] << 4 | value);
        digits++;
    }
}

int timebase_new(struct timebase **timebase) {
    struct timebase *made = calloc(1, sizeof *made);
    if (made == NULL)
        return -ENOMEM;
    pthread_mutex_init(&made->taking_over, NULL);
    read_boot_id(made->system_boot);
    if (getrandom(made->simulated_boot, sizeof made->simulated_boot, 0) < 0) {
        int result = -errno;
        timebase_free(made);
        return result;
    }
    *timebase = made;
    return 0;
}

void timebase_free(struct timebase *timebase) {
    if (timebase == NULL)
        return;
    pthread_mutex_destroy(&timebase->taking_over);
    free(timebase);
}

int64_t timebase_elapsed_ns(struct timebase *timebase) {
    if (timebase_driven(timebase))
        return timebase->start_ns + atomic_load(&timebase->since_ns);
    return read_clock(CLOCK_BOOTTIME);
}

int64_t timebase_wall_ns(struct timebase *timebase) {
    if (timebase_driven(timebase))
        return timebase->wall_start_ns + atomic_load(&timebase->since_ns);
    return read_clock(CLOCK_REALTIME);
}

int64_t timebase_take_over(struct timebase *timebase, int64_t wall_start_ns) {
    pthread_mutex_lock(&timebase->taking_over);
    if (!timebase_driven(timebase)) {
        timebase->start_ns = read_clock(CLOCK_BOOTTIME);
        timebase->wall_start_ns = wall_start_ns != 0 ? wall_start_ns : read_clock(CLOCK_REALTIME);
        atomic_store(&timebase->driven, true);
    }
    pthread_mutex_unlock(&timebase->taking_over);
    return timebase->start_ns;
}

void timebase_drive(struct timebase *timebase, int64_t since_take_over_ns) {
    int64_t seen = atomic_load(&timebase->since_ns);
    while (seen < since_take_over_ns &&
           !atomic_compare_exchange_weak(&timebase->since_ns, &seen, since_take_over_ns))
        ;
}

bool timebase_driven(struct timebase *timebase) {
    return atomic_load_explicit(&timebase->driven, memory_order_acquire);
}

void timebase_boot(struct timebase *timebase, uint8_t boot[16]) {
    const uint8_t *id =
        timebase_driven(timebase) ? timebase->simulated_boot : timebase->system_boot;
    memcpy(boot, id, 16);
}
