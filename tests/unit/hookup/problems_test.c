// SPDX-License-Identifier: Apache-2.0
/*
 * problems_test.c - each mistake in a hookup file gets its line, its place and its remedy.
 */
#include "hookup.h"

#include "cmocka_helper.h"
#include "text_helper.h"

#include <errno.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

/* One change to the sound text, and the one problem that must come of it. */
struct mistake {
    const char *old, *new;
    const char *at;    /* the problem's line is where this stands in the changed text */
    const char *where; /* NULL: of no section */
    const char *says;  /* in its text */
};

static const struct mistake mistakes[] = {
    /* lines and sections */
    {"cylinders = 4", "cylinders 4", "cylinders 4", "[vehicle]", "key = value"},
    {"[board logger]", "[board logger", "[board logger", NULL, "a section is"},
    {"[vehicle]", "name = x\n[vehicle]", "name = x", "name", "before the first section"},
    {"[sensor crank]", "[senser crank]", "[senser crank]", "[senser crank]",
     "Did you mean \"sensor\"?"},
    {"[sensor crank]", "[sensor]", "[sensor]", "[sensor]", "needs a name"},
    {"[sensor crank]", "[sensor my crank]", "[sensor my", "[sensor my crank]", "no space"},
    {"[vehicle]", "[vehicle van]", "[vehicle van]", "[vehicle van]", "has no name"},
    {"[board logger]", "[vehicle]\n[board logger]", "[vehicle]\n[board", "[vehicle]", "twice"},
    {"cylinders = 4", "cylinders = 4\ncylinders = 6", "cylinders = 6", "[vehicle]",
     "twice (also in line 4)"},
    {"[sensor crank]", "[channel battery]\n[sensor crank]", "[channel battery]\n[sensor",
     "[channel battery]", "taken already (line 13)"},
    {"name = parcel van", "name = \x01", "name = \x01", NULL, "byte 0x01"},
    {"name = parcel van", "name = K\xfchlwagen", "name = K\xfc", NULL, "UTF-8"},
    {"name = parcel van, bay 2", "name =", "name =", "[vehicle] name", "has no value"},
    /* the vehicle */
    {"cylinders = 4", "cylindres = 4", "cylindres", "[vehicle] cylindres",
     "Did you mean \"cylinders\"?"},
    {"cylinders = 4", "cylinders = four", "cylinders", "[vehicle] cylinders", "not a number"},
    {"cylinders = 4", "cylinders = 4.5", "cylinders", "[vehicle] cylinders", "whole number"},
    {"cylinders = 4", "cylinders = 0", "cylinders", "[vehicle] cylinders", "within 1 and 24"},
    {"system = 12", "system = 6", "system", "[vehicle] system", "12 or 24"},
    {"ground = battery-negative ", "ground = chassis ", "ground", "[vehicle] ground",
     "allowed: battery-negative, engine, body, ecu"},
    {"system = 12", "system = 12\ntemperature = 3,5", "temperature", "[vehicle] temperature",
     "a point, not a comma"},
    /* boards */
    {"driver = packet-serial\n", "", "[board logger]", "[board logger]", "driver is missing"},
    {"driver = packet-serial", "driver = packed-serial", "driver", "[board logger] driver",
     "Did you mean \"packet-serial\"?"},
    {"driver = packet-serial", "driver = other", "driver", "[board logger] driver", "text-serial"},
    {"driver = packet-serial", "driver = packet-serial\nboard = mine", "board = mine",
     "[board logger] board", "names its own driver"},
    {"device = /dev/serial/by-id/usb-logger-1\n", "", "[board logger]", "[board logger]",
     "device is missing"},
    {"rate = 5000", "rate = 0", "rate = 0", "[board logger] rate", "must lie within"},
    {"rate = 5000", "rate = 5000 Hz", "rate = 5000", "[board logger] rate", "no unit"},
    {"rate = 5000", "rate = 5000 # scans", "rate = 5000", "[board logger] rate",
     "a comment here begins with ;"},
    {"rate = 5000", "rates = 5000", "rates", "[board logger] rates", "Did you mean \"rate\"?"},
    {"[channel battery]",
     "[board second]\ndriver = packet-serial\ndevice = /dev/serial/by-id/usb-logger-1\n"
     "[channel battery]",
     "device = /dev/serial/by-id/usb-logger-1\n[channel", "[board second] device",
     "is board \"logger\" already (line 8)"},
    /* channels */
    {"board = logger", "board = loger", "board = loger", "[channel battery] board",
     "Did you mean \"logger\"?"},
    {"board = logger\n", "", "[channel battery]", "[channel battery]", "board is missing"},
    {"input = 0\n", "", "[channel battery]", "[channel battery]", "input is missing"},
    {"input = 1\n", "input = 0\n", "input = 0\nrole = feed", "[channel crank-feed] input",
     "channel \"battery\" (line 13) is on this input already"},
    {"input = 3", "input = 64", "input = 64", "[channel crank-signal] input", "within 0 and 63"},
    {"role = battery\n", "", "[channel battery]", "[channel battery]", "role is missing"},
    {"role = battery", "role = batery", "role = batery", "[channel battery] role",
     "Did you mean \"battery\"?"},
    {"divider = 5.7", "divider = 5,7", "divider", "[channel battery] divider",
     "a point, not a comma"},
    {"divider = 5.7", "divider = 0", "divider", "[channel battery] divider", "within"},
    {"divider = 5.7", "divider = 5.7\nvolts-per-count = 0.01", "volts-per-count",
     "[channel battery] volts-per-count", "given twice (also by divider"},
    {"divider = 5.7", "amps-per-volt = 100", "amps-per-volt", "[channel battery] amps-per-volt",
     "unit is V"},
    {"divider = 5.7", "points = 0:12", "points", "[channel battery] points", "at least two"},
    {"divider = 5.7", "points = 0:12, 5", "points", "[channel battery] points", "VOLTS:COUNTS"},
    {"divider = 5.7", "points = 0:12, 5:x", "points", "[channel battery] points", "not a number"},
    {"divider = 5.7", "points = 0:12, 5:12", "points", "[channel battery] points", "must differ"},
    {"divider = 5.7", "points = 0:1, 2:2, 1:3", "points", "[channel battery] points",
     "must differ"},
    {"divider = 5.7", "points = 0:1,1:2,2:3,3:4,4:5,5:6,6:7,7:8,8:9", "points",
     "[channel battery] points", "at most 8"},
    {"divider = 5.7", "unit = bar", "unit", "[channel battery] unit", "in V"},
    {"role = return", "role = return\nnominal = 5", "nominal = 5\n\n[channel crank-signal]",
     "[channel crank-return] nominal", "only a feed or a reference"},
    {"role = return", "role = return\ntolerance = 0.1", "tolerance = 0.1",
     "[channel crank-return] tolerance", "nominal level"},
    {"tolerance = 5 %", "tolerance = 500 %", "tolerance", "[channel crank-feed] tolerance",
     "within 0.01 and 100"},
    {"role = return", "role = return\nthreshold = 2", "threshold",
     "[channel crank-return] threshold", "only ignition"},
    {"measured-at = sensor", "measured-at = senser", "measured-at",
     "[channel crank-feed] measured-at", "sensor, ecu, splice, engine, battery"},
    {"delay = 20 us", "delay = 20 seconds", "delay", "[channel crank-signal] delay",
     "s, ms, us, min or h"},
    /* sensors */
    {"kind = hall\n", "", "[sensor crank]", "[sensor crank]", "kind is missing"},
    {"kind = hall", "kind = optical", "kind", "[sensor crank] kind", "allowed: hall, inductive"},
    {"signal = crank-signal\n", "", "[sensor crank]", "[sensor crank]", "signal is missing"},
    {"signal = crank-signal", "signal = crank-sginal", "signal = crank-sg", "[sensor crank] signal",
     "Did you mean \"crank-signal\"?"},
    {"feed = crank-feed", "feed = crank-return", "feed = crank-return", "[sensor crank] feed",
     "role is return (line 27): feed needs one with role = feed"},
    {"pull-up = 5", "pull-up = fed", "pull-up", "[sensor crank] pull-up", "volts, feed, battery"},
    {"feed = crank-feed\nreturn = crank-return\nsignal = crank-signal\npull-up = 5",
     "signal = crank-signal\npull-up = feed", "pull-up", "[sensor crank] pull-up", "no feed"},
    {"kind = hall\nfeed = crank-feed\nreturn = crank-return\nsignal = crank-signal\npull-up = 5",
     "kind = inductive\nfeed = crank-feed\nsignal = crank-signal", "feed = crank-feed",
     "[sensor crank] feed", "makes its own voltage"},
    {"wheel = 60-2", "wheel = 60-60", "wheel", "[sensor crank] wheel", "learn"},
    {"shaft = crank", "shaft = cam shaft", "shaft", "[sensor crank] shaft", "allowed: crank, cam"},
    {"[trigger weak-feed]", "[sensor cam]\nkind = hall\nsignal = crank-signal\n[trigger weak-feed]",
     "signal = crank-signal\n[trigger", "[sensor cam] signal", "of sensor \"crank\" already"},
    /* triggers */
    {"below = 4.6 V", "outside = 4.75", "outside", "[trigger weak-feed] outside", "LOW..HIGH"},
    {"below = 4.6 V", "outside = 5.25..4.75", "outside", "[trigger weak-feed] outside",
     "the lower end comes first"},
    {"below = 4.6 V", "outside = 4.75 A..5.25", "outside", "[trigger weak-feed] outside",
     "V or mV"},
    {"below = 4.6 V", "outside = 4.95..5.05", "hysteresis", "[trigger weak-feed] hysteresis",
     "less than 0.05"},
    {"below = 4.6 V\nhysteresis = 100 mV\n", "step = 0.5\n", "step", "[trigger weak-feed] step",
     "CHANGE within TIME"},
    {"below = 4.6 V\nhysteresis = 100 mV\n", "step = 0 V within 10 ms\n", "step",
     "[trigger weak-feed] step", "more than 0"},
    {"below = 4.6 V\nhysteresis = 100 mV\n", "step = 0.5 V within 10 us\n", "step",
     "[trigger weak-feed] step", "at least 1 scan: 0.0002 s"},
    {"below = 4.6 V\nhysteresis = 100 mV\n", "step = 0.5 V within 10 V\n", "step",
     "[trigger weak-feed] step", "s, ms, us"},
    {"below = 4.6 V", "step = 0.5 V within 10 ms", "hysteresis", "[trigger weak-feed] hysteresis",
     "not to a step"},
    {"channel = crank-feed\nbelow = 4.6 V\nhysteresis = 100 mV\nfor = 3 ms\n",
     "channel = crank-signal\nsilent = crank\n", "silent", "[trigger weak-feed] silent",
     "a number"},
    {"channel = crank-feed\nbelow = 4.6 V\nhysteresis = 100 mV\nfor = 3 ms\n",
     "channel = crank-feed\nsilent = 1 s\n", "channel = crank-feed\nsilent",
     "[trigger weak-feed] channel", "role signal or command"},
    {"channel = crank-feed\nbelow = 4.6 V\nhysteresis = 100 mV\n",
     "channel = crank-signal\nsilent = 1 s\n", "for = 3 ms", "[trigger weak-feed] for",
     "says already for how long"},
    {"below = 4.6 V", "below = 4.6 V\nbudget = 2 h", "budget", "[trigger weak-feed] budget",
     "within 0 and 3600 s"},
    {"channel = crank-feed\nbelow = 4.6 V\nhysteresis = 100 mV\nfor = 3 ms\n"
     "when = cranking, running\n",
     "begin = cranking\nbudget = 1 min\n", "budget", "[trigger weak-feed] budget", "of cranking"},
    {"below = 4.6 V", "below = 4.6 V\nabove = 5.4", "above", "[trigger weak-feed] above",
     "one condition"},
    {"channel = crank-feed\nbelow = 4.6 V\nhysteresis = 100 mV\nfor = 3 ms\n"
     "when = cranking, running\n",
     "", "[trigger weak-feed]", "[trigger weak-feed]", "has no condition"},
    {"channel = crank-feed\nbelow", "below", "[trigger weak-feed]", "[trigger weak-feed]",
     "channel is missing"},
    {"channel = crank-feed\nbelow", "channel = feed\nbelow", "channel = feed",
     "[trigger weak-feed] channel", "crank-feed"},
    {"below = 4.6 V", "below = 4.6 A", "below", "[trigger weak-feed] below", "V or mV"},
    {"for = 3 ms", "for = 0.2 ms", "for", "[trigger weak-feed] for", "at least 3 scans: 0.0006 s"},
    {"when = cranking, running", "when = cranking, driving", "when", "[trigger weak-feed] when",
     "\"driving\" is no phase"},
    {"when = cranking, running", "before = 1 h", "before", "[trigger weak-feed] before",
     "within 0 and 600 s"},
    {"channel = crank-feed\nbelow = 4.6 V\nhysteresis = 100 mV\nfor = 3 ms\n"
     "when = cranking, running\n",
     "begin = cranking\nfor = 3 ms\n", "for = 3 ms", "[trigger weak-feed] for",
     "belongs to a level"},
    {"channel = crank-feed\nbelow = 4.6 V\nhysteresis = 100 mV\nfor = 3 ms\n"
     "when = cranking, running\n",
     "begin = running\n", "begin", "[trigger weak-feed] begin", "allowed: cranking"},
    /* limits and storage */
    {"[trigger", "[limits]\nfeed-tolerence = 0.3\n[trigger", "feed-tolerence",
     "[limits] feed-tolerence", "Did you mean \"feed-tolerance\"?"},
    {"[trigger", "[limits]\nfeed-tolerance = -0.3\n[trigger", "feed-tolerance",
     "[limits] feed-tolerance", "at least 0 V"},
    {"[trigger", "[storage]\nring = 12 parsec\n[trigger", "ring", "[storage] ring", "GiB"},
    {"[trigger", "[storage]\nloss-window = 5 h\n[trigger", "loss-window", "[storage] loss-window",
     "within 0.5 and 60 s"},
    {"[trigger", "[storage]\nbudget = -1 s\n[trigger", "budget", "[storage] budget",
     "within 0 and 3600 s"},
};

static void check(const struct mistake *mistake) {
    char *text = text_replaced(text_sound, mistake->old, mistake->new);
    struct problems problems = {0};
    struct hookup *hookup = NULL;
    int result = hookup_parse(text, strlen(text), HOOKUP_FOR_BOARDS, &hookup, &problems);
    const struct problem *first = problems.count ? &problems.problem[0] : NULL;
    bool good = result == -EINVAL && problems.count == 1 && !hookup &&
                first->line == text_line_of(text, mistake->at) &&
                !first->where == !mistake->where &&
                (!mistake->where || strcmp(first->where, mistake->where) == 0) &&
                strstr(first->text, mistake->says);
    if (!good) {
        problems_print(&problems, "text", stderr);
        fail_msg("\"%s\" for \"%s\": result %d, %zu problems", mistake->new, mistake->old, result,
                 problems.count);
    }
    problems_clear(&problems);
    free(text);
}

static void every_mistake_is_told(void **state) {
    (void)state;
    for (size_t i = 0; i < sizeof mistakes / sizeof mistakes[0]; i++)
        check(&mistakes[i]);
}

static void a_simulated_board_has_no_device(void **state) {
    (void)state;
    char *text = text_replaced(text_sound, "driver = packet-serial", "driver = sim");
    struct problems problems = {0};
    struct hookup *hookup = NULL;
    assert_int_equal(hookup_parse(text, strlen(text), HOOKUP_FOR_BOARDS, &hookup, &problems),
                     -EINVAL);
    assert_int_equal(problems.count, 1);
    assert_string_equal(problems.problem[0].where, "[board logger] device");
    problems_clear(&problems);
    free(text);
}

static void a_line_too_long(void **state) {
    (void)state;
    char name[400];
    memset(name, 'x', sizeof name);
    memcpy(name, "name = ", 7);
    name[sizeof name - 1] = '\0';
    char *text = text_replaced(text_sound, "name = parcel van, bay 2", name);
    struct problems problems = {0};
    struct hookup *hookup = NULL;
    assert_int_equal(hookup_parse(text, strlen(text), HOOKUP_FOR_BOARDS, &hookup, &problems),
                     -EINVAL);
    assert_int_equal(problems.count, 1); /* the rest of the line is no second problem */
    assert_int_equal(problems.problem[0].line, 2);
    assert_non_null(strstr(problems.problem[0].text, "too long"));
    problems_clear(&problems);
    free(text);
}

/* What a person sees: sorted by line, all at once. */
static void prints_all_at_once(void **state) {
    (void)state;
    static const char text[] = "[channel feed]\n"
                               "role = fed\n"
                               "nominal = 5,0\n"
                               "[sensor crank]\n"
                               "kind = hall\n";
    struct problems problems = {0};
    struct hookup *hookup = NULL;
    assert_int_equal(hookup_parse(text, strlen(text), HOOKUP_FOR_IMPORT, &hookup, &problems),
                     -EINVAL);
    char *printed = NULL;
    size_t size = 0;
    FILE *stream = open_memstream(&printed, &size);
    assert_non_null(stream);
    problems_print(&problems, "van.hookup", stream);
    fclose(stream);
    assert_string_equal(
        printed,
        "van.hookup:2: [channel feed] role: read \"fed\": allowed: battery, feed, return, signal, "
        "starter-current, supply, ground, ignition, start-request, command, reference, switch, "
        "other. Did you mean \"feed\"?\n"
        "van.hookup:3: [channel feed] nominal: read \"5,0\": decimals are written with a point, "
        "not a comma\n"
        "van.hookup:4: [sensor crank]: signal is missing: the channel that carries the sensor's "
        "signal\n");
    free(printed);
    problems_clear(&problems);
}

/* Problems go to terminals and into JSON, whatever stood in the file. */
static void problems_are_text(void **state) {
    (void)state;
    struct problems problems = {0};
    assert_int_equal(problems_add(&problems, 1, "a\x1b[2J", "\xff\xfe", "%s", "caf\xc3\xa9 \xc3"),
                     0);
    assert_string_equal(problems.problem[0].where, "a?[2J");
    assert_string_equal(problems.problem[0].read, "??");
    assert_string_equal(problems.problem[0].text, "caf\xc3\xa9 ?");
    problems_clear(&problems);
    problems_clear(NULL);
}

int main(void) {
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(every_mistake_is_told), cmocka_unit_test(a_simulated_board_has_no_device),
        cmocka_unit_test(a_line_too_long),       cmocka_unit_test(prints_all_at_once),
        cmocka_unit_test(problems_are_text),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
