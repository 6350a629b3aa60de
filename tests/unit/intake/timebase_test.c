// SPDX-License-Identifier: Apache-2.0
/*
 * timebase_test.c - the boot clock, a simulation's clock, and dates as people write them.
 */
#include "cmocka_helper.h"
#include "timebase.h"
#include "wall_date.h"

#include <errno.h>
#include <stddef.h>
#include <stdlib.h>
#include <string.h>
#include <time.h>

static int64_t clock_ns(clockid_t id) {
    struct timespec now;
    clock_gettime(id, &now);
    return (int64_t)now.tv_sec * 1000000000 + now.tv_nsec;
}

static void boot_clock_unless_driven(void **state) {
    (void)state;
    struct timebase *timebase;
    assert_int_equal(timebase_new(&timebase), 0);
    assert_false(timebase_driven(timebase));
    int64_t before = clock_ns(CLOCK_BOOTTIME), wall_before = clock_ns(CLOCK_REALTIME);
    int64_t elapsed = timebase_elapsed_ns(timebase), wall = timebase_wall_ns(timebase);
    assert_true(elapsed >= before && elapsed <= clock_ns(CLOCK_BOOTTIME));
    assert_true(wall >= wall_before && wall <= clock_ns(CLOCK_REALTIME));
    timebase_free(timebase);
    timebase_free(NULL);
}

static void driven_time_moves_only_when_driven(void **state) {
    (void)state;
    struct timebase *timebase;
    uint8_t system_boot[16], simulated_boot[16];
    assert_int_equal(timebase_new(&timebase), 0);
    timebase_boot(timebase, system_boot);
    int64_t start = timebase_take_over(timebase, 1000);
    assert_true(timebase_driven(timebase));
    assert_true(timebase_elapsed_ns(timebase) == start);
    assert_true(timebase_wall_ns(timebase) == 1000);
    timebase_drive(timebase, 5000000000);
    assert_true(timebase_elapsed_ns(timebase) == start + 5000000000);
    assert_true(timebase_wall_ns(timebase) == 5000001000);
    timebase_drive(timebase, 4000000000); /* a second board, behind the first */
    assert_true(timebase_elapsed_ns(timebase) == start + 5000000000);
    assert_true(timebase_take_over(timebase, 77) == start);
    assert_true(timebase_wall_ns(timebase) == 5000001000);
    timebase_boot(timebase, simulated_boot);
    assert_memory_not_equal(system_boot, simulated_boot, 16);
    timebase_free(timebase);
}

static int64_t parsed(const char *text) {
    int64_t ns = 0;
    if (wall_date_parse(text, &ns) != 0)
        fail_msg("\"%s\" was refused", text);
    return ns / 1000000000;
}

/* Seconds since 1970 by `date -u -d ... +%s`. */
static void dates(void **state) {
    (void)state;
    setenv("TZ", "UTC-2", 1); /* POSIX sign: two hours east */
    tzset();
    assert_true(parsed("2026-01-12T17:30:00Z") == 1768239000);
    assert_true(parsed("2026-01-12 17:30:00Z") == 1768239000);
    assert_true(parsed("2026-01-12T17:30Z") == 1768239000);
    assert_true(parsed("2026-01-12T17:30:00.250Z") == 1768239000);
    assert_true(parsed("2026-01-12T18:30:00+01:00") == 1768239000);
    assert_true(parsed("2026-01-12T12:00:00-05:30") == 1768239000);
    assert_true(parsed("2026-01-12T19:30:00") == 1768239000); /* local */
    assert_true(parsed("2026-01-12") == 1768168800);          /* local midnight */
    assert_true(parsed("2024-02-29T00:00:00Z") == 1709164800);

    static const char *const wrong[] = {"",
                                        "now",
                                        "2026",
                                        "2026-13-01",
                                        "2026-02-30",
                                        "2026-01-12T",
                                        "2026-01-12T25:00",
                                        "2026-01-12T17:30:00X",
                                        "2026-01-12T17:30:00+1",
                                        "2026-1-12",
                                        "1969-12-31"};
    for (size_t i = 0; i < sizeof wrong / sizeof wrong[0]; i++) {
        int64_t untouched = 42;
        assert_int_equal(wall_date_parse(wrong[i], &untouched), -EINVAL);
        assert_true(untouched == 42);
    }
}

int main(void) {
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(boot_clock_unless_driven),
        cmocka_unit_test(driven_time_moves_only_when_driven),
        cmocka_unit_test(dates),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
