// SPDX-License-Identifier: Apache-2.0
/*
 * standing_test.c - what a person says of snapshots, and which of them go when the quota is used
 * up.
 */
#include "cmocka_helper.h"
#include "remark.h"
#include "shelf_helper.h"
#include "standing.h"

#include <errno.h>
#include <stdio.h>
#include <string.h>
#include <sys/stat.h>
#include <unistd.h>

#define RING_BYTES (64u << 20)

/* Reports, as `cranktrap report --json` writes them (docs/json.md), as far as they matter here. */
#define REPORT(fault, attempts)                                                                    \
    "{\"schema\":\"cranktrap.report/1\",\"verdict\":{\"fault\":\"" fault                           \
    "\"},\"attempts\":[" attempts "]}"
#define ATTEMPT(outcome, fault)                                                                    \
    "{\"number\":1,\"outcome\":\"" outcome "\",\"verdict\":{\"fault\":\"" fault "\"}}"
#define CLEAN REPORT("nothing-found", ATTEMPT("started", "nothing-found"))
#define FAULT REPORT("feed-collapse", ATTEMPT("did-not-start", "feed-collapse"))

static void put_file(const struct shelf *shelf, unsigned number, const char *suffix,
                     const char *bytes) {
    char path[160];
    snprintf(path, sizeof path, "%s/%04u%s", shelf->snapshot_folder, number, suffix);
    FILE *file = fopen(path, "w");
    assert_non_null(file);
    fputs(bytes, file);
    assert_int_equal(fclose(file), 0);
}

static void put_snapshot(const struct shelf *shelf, unsigned number, const char *report) {
    put_file(shelf, number, ".crank", "samples");
    if (report)
        put_file(shelf, number, ".json", report);
}

static const struct remark_change reviewed = {1, -1, -1, NULL}, held = {-1, 1, -1, NULL},
                                  good = {-1, -1, 1, NULL}, cleared = {0, 0, 0, NULL};

static void say(const struct shelf *shelf, unsigned number, const struct remark_change *change) {
    assert_int_equal(remark_change(shelf->snapshot_folder, number, change), 0);
}

static void open_folder(struct shelf *shelf) {
    shelf_open(shelf, RING_BYTES);
    shelf_start(shelf); /* makes the folder */
    shelf_stop(shelf);
}

/* ---- remarks ---- */

static void test_remarks(void **state) {
    (void)state;
    struct shelf shelf;
    struct remark remark;
    open_folder(&shelf);
    const char *folder = shelf.snapshot_folder;
    assert_int_equal(remark_change(folder, 1, &reviewed), -ENOENT);
    assert_false(shelf_has(&shelf, 1, ".note"));
    put_snapshot(&shelf, 1, NULL);
    assert_int_equal(remark_read(folder, 1, &remark), 0);
    assert_false(remark.reviewed || remark.hold || remark.good || remark.text[0]);
    const struct remark_change note = {-1, -1, -1,
                                       "after the new splice, 4\xc2\xb0"
                                       "C \"cold\""};
    say(&shelf, 1, &note);
    say(&shelf, 1, &good);
    assert_int_equal(remark_read(folder, 1, &remark), 0);
    assert_true(remark.good && !remark.hold && !remark.reviewed);
    assert_string_equal(remark.text, note.text);
    say(&shelf, 1, &reviewed);
    say(&shelf, 1, &cleared);
    assert_int_equal(remark_read(folder, 1, &remark), 0);
    assert_false(remark.reviewed || remark.hold || remark.good);
    assert_string_equal(remark.text, note.text); /* the note stays until it is taken away */
    const struct remark_change none = {-1, -1, -1, ""};
    say(&shelf, 1, &none);
    assert_int_equal(remark_read(folder, 1, &remark), 0);
    assert_string_equal(remark.text, "");
    assert_false(shelf_has(&shelf, 1, ".note.part"));
    shelf_close(&shelf);
}

static void test_remarks_that_cannot_be(void **state) {
    (void)state;
    struct shelf shelf;
    struct remark remark;
    char text[REMARK_TEXT + 1];
    open_folder(&shelf);
    const char *folder = shelf.snapshot_folder;
    put_snapshot(&shelf, 1, CLEAN);
    const struct remark_change latin = {-1, -1, -1, "K\xfchl"}, lengthy = {-1, -1, -1, text};
    memset(text, 'x', sizeof text);
    text[sizeof text - 1] = '\0';
    assert_int_equal(remark_change(folder, 1, &latin), -EILSEQ);
    assert_int_equal(remark_change(folder, 1, &lengthy), -E2BIG);
    text[REMARK_TEXT - 1] = '\0';
    assert_int_equal(remark_change(folder, 1, &lengthy), 0);
    assert_int_equal(remark_read(folder, 1, &remark), 0);
    assert_string_equal(remark.text, text);
    /* What cannot be read may have said "hold". */
    put_file(&shelf, 1, ".note", "{\"reviewed\": ");
    assert_int_equal(remark_read(folder, 1, &remark), -EBADMSG);
    assert_int_equal(remark_change(folder, 1, &reviewed), -EBADMSG);
    assert_int_equal(standing_of(folder, 1), STANDING_HELD);
    assert_int_equal(standing_remove(folder, 1), -EPERM);
    shelf_close(&shelf);
}

/* ---- standing ---- */

static void test_clean_or_not(void **state) {
    (void)state;
    static const struct {
        const char *report;
        bool clean;
    } reports[] = {
        {CLEAN, true},
        {REPORT("nothing-found", ""), true},
        {REPORT("nothing-found", ATTEMPT("released-early", "nothing-found")), true},
        {REPORT("nothing-found", ATTEMPT("did-not-start", "nothing-found")), false},
        {REPORT("nothing-found", ATTEMPT("did-not-crank", "nothing-found")), false},
        {REPORT("nothing-found", ATTEMPT("started-then-stopped", "nothing-found")), false},
        {REPORT("nothing-found",
                ATTEMPT("started", "nothing-found") "," ATTEMPT("started", "signal-gaps")),
         false},
        {FAULT, false},
        {REPORT("lead-suspect", ""), false},
        {"{}", false},
        {"{\"verdict\":{\"fault\":\"nothing-found\"}}", false},
        {"half a repo", false},
        {NULL, false},
    };
    struct shelf shelf;
    open_folder(&shelf);
    for (unsigned i = 0; i < sizeof reports / sizeof reports[0]; i++) {
        put_snapshot(&shelf, i + 1, reports[i].report);
        assert_int_equal(standing_of(shelf.snapshot_folder, i + 1),
                         reports[i].clean ? STANDING_CLEAN : STANDING_UNREVIEWED);
        say(&shelf, i + 1, &reviewed);
        assert_int_equal(standing_of(shelf.snapshot_folder, i + 1),
                         reports[i].clean ? STANDING_REVIEWED_CLEAN : STANDING_REVIEWED);
    }
    shelf_close(&shelf);
}

/* design: reviewed and clean, clean, reviewed; never the rest. Numbers are laid against it. */
static void put_one_of_each(const struct shelf *shelf) {
    put_snapshot(shelf, 1, FAULT); /* not reviewed */
    put_snapshot(shelf, 2, FAULT);
    say(shelf, 2, &reviewed);
    put_snapshot(shelf, 3, CLEAN);
    put_snapshot(shelf, 4, CLEAN);
    put_snapshot(shelf, 5, CLEAN);
    say(shelf, 5, &reviewed);
    put_snapshot(shelf, 6, CLEAN);
    say(shelf, 6, &reviewed);
    put_snapshot(shelf, 7, CLEAN);
    say(shelf, 7, &reviewed);
    say(shelf, 7, &held);
    put_snapshot(shelf, 8, CLEAN);
    say(shelf, 8, &reviewed);
    say(shelf, 8, &good);
    put_snapshot(shelf, 9, NULL); /* not analysed */
}

static void test_order(void **state) {
    (void)state;
    static const unsigned order[] = {5, 6, 3, 4, 2};
    struct shelf shelf;
    unsigned number = 0;
    enum standing standing = STANDING_GOOD;
    open_folder(&shelf);
    put_one_of_each(&shelf);
    for (size_t i = 0; i < sizeof order / sizeof order[0]; i++) {
        assert_int_equal(standing_next(shelf.snapshot_folder, &number, &standing), 0);
        assert_int_equal(number, order[i]);
        assert_int_equal(standing_remove(shelf.snapshot_folder, number), 0);
        assert_false(shelf_has(&shelf, number, ".crank"));
        assert_false(shelf_has(&shelf, number, ".json"));
        assert_false(shelf_has(&shelf, number, ".note"));
    }
    assert_int_equal(standing_next(shelf.snapshot_folder, &number, &standing), -ENOENT);
    static const unsigned stay[] = {1, 7, 8, 9};
    for (size_t i = 0; i < sizeof stay / sizeof stay[0]; i++) {
        assert_int_equal(standing_remove(shelf.snapshot_folder, stay[i]), -EPERM);
        assert_true(shelf_has(&shelf, stay[i], ".crank"));
    }
    assert_int_equal(standing_remove(shelf.snapshot_folder, 5), -ENOENT);
    shelf_close(&shelf);
}

/* ---- the quota ---- */

/* Every .crank of put_one_of_each() has 7 bytes: 63 in all. */
static void test_quota_makes_room(void **state) {
    (void)state;
    struct shelf shelf;
    struct snapshot_state now;
    open_folder(&shelf);
    put_one_of_each(&shelf);
    shelf.settings.quota_bytes = 43; /* three have to go: below it, not at it */
    shelf_start(&shelf);
    shelf_write(&shelf, 10);
    assert_int_equal(shelf_request(&shelf, 2.5, 4.5), 10);
    assert_int_equal(snapshots_wait(shelf.snapshots, 10, SHELF_WAIT_MS), 0);
    for (unsigned number = 1; number <= 9; number++)
        assert_int_equal(shelf_has(&shelf, number, ".crank"),
                         number != 5 && number != 6 && number != 3);
    snapshots_state(shelf.snapshots, &now);
    assert_true(now.room);
    assert_int_equal(now.removed, 3);
    assert_int_equal(shelf.removed, 3);
    assert_string_equal(shelf.removal,
                        "Snapshot 3 (clean) was deleted: the quota of snapshots is used up.");
    /* The new one alone is more than the quota: all that may go goes, and no other is begun. */
    assert_int_equal(shelf_request(&shelf, 6.5, 8.5), 11);
    assert_int_equal(snapshots_wait(shelf.snapshots, 11, SHELF_WAIT_MS), -ENOSPC);
    snapshots_state(shelf.snapshots, &now);
    assert_false(now.room);
    assert_int_equal(now.removed, 5);
    assert_non_null(strstr(now.last_problem, "none may go"));
    assert_non_null(strstr(now.last_problem, "[storage]"));
    assert_true(shelf_has(&shelf, 1, ".crank") && shelf_has(&shelf, 7, ".crank") &&
                shelf_has(&shelf, 8, ".crank") && shelf_has(&shelf, 9, ".crank") &&
                shelf_has(&shelf, 10, ".crank"));
    /* Somebody reviews the large one. */
    say(&shelf, 10, &reviewed);
    assert_int_equal(shelf_request(&shelf, 6.5, 8.5), 12);
    assert_int_equal(snapshots_wait(shelf.snapshots, 12, SHELF_WAIT_MS), 0);
    assert_false(shelf_has(&shelf, 10, ".crank"));
    shelf_close(&shelf);
}

int main(void) {
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_remarks),          cmocka_unit_test(test_remarks_that_cannot_be),
        cmocka_unit_test(test_clean_or_not),     cmocka_unit_test(test_order),
        cmocka_unit_test(test_quota_makes_room),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
