// SPDX-License-Identifier: Apache-2.0
#include "hookup_in_use.h"

#include "calibration_store.h"
#include "hookup_copy.h"
#include "say.h"

#include <errno.h>
#include <stdio.h>
#include <string.h>
#include <unistd.h>

int hookup_in_use_choose(struct daemon *daemon) {
    const struct command_line *line = &daemon->line;
    if (!daemon->hookup_copy &&
        asprintf(&daemon->hookup_copy, "%s/" HOOKUP_COPY_NAME, line->state) < 0) {
        daemon->hookup_copy = NULL;
        return -ENOMEM;
    }
    daemon->hookup_is_copy = access(daemon->hookup_copy, F_OK) == 0;
    daemon->hookup_path = daemon->hookup_is_copy ? daemon->hookup_copy : line->hookup;
    if (daemon->hookup_is_copy)
        say("the hookup is the changed copy %s; %s counts again once that is moved away",
            daemon->hookup_copy, line->hookup);
    return 0;
}

int hookup_in_use_load(const struct daemon *daemon, const char *instead, struct hookup **hookup) {
    const char *path = daemon->hookup_path;
    struct problems problems = {0};
    int result = hookup_load(path, HOOKUP_FOR_BOARDS, hookup, &problems);
    if (result < 0 && problems.count == 0)
        fail("hookup %s: %s; write one (docs/hookup.md) or name it with --hookup", path,
             strerror(-result));
    if (problems.count) {
        problems_print(&problems, path, stderr);
        fail("%s: the hookup has %zu problem%s", instead, problems.count,
             problems.count == 1 ? "" : "s");
    }
    problems_clear(&problems);
    return result;
}

int hookup_in_use_calibrate(const struct daemon *daemon, struct hookup *hookup) {
    struct calibration_store store = {0};
    int result = calibration_store_read(daemon->line.state, &store);
    if (result < 0)
        warn("%s/calibration.json cannot be read (%s): no input is calibrated; move it away and "
             "calibrate anew",
             daemon->line.state, result == -EBADMSG ? "damaged" : strerror(-result));
    else
        result = hookup_calibrate(hookup, store.calibrations, store.count);
    calibration_store_clear(&store);
    return result == -ENOMEM ? result : 0;
}

const char *hookup_in_use_vehicle(const struct daemon *daemon) {
    const char *name = daemon->hookup->vehicle.name;
    return name ? name : "a vehicle without a name";
}
