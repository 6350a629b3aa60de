// SPDX-License-Identifier: Apache-2.0
/*
 * overview_test.c - what a ring shows at any width is what its samples are: each column beside the
 * lowest and highest that the samples themselves give. With hints, without them, with wrong ones.
 */
#include "recording_helper.h"

#include "codec.h"
#include "container.h"
#include "disk_ring.h"
#include "memory_ring.h"
#include "overview.h"
#include "record.h"
#include "segments.h"
#include "summary.h"

#include <errno.h>
#include <fcntl.h>
#include <math.h>
#include <pthread.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

#define INPUTS    2
#define PERIOD_NS 100000 /* 10 kS/s */
#define SCANS     700000

/* Slow, with rare spikes of one scan: what a picture must not lose. */
static int32_t sample(uint32_t epoch, size_t input, uint64_t scan) {
    uint32_t mixed = (uint32_t)(scan * 2654435761u) ^ (uint32_t)(input * 40503u + epoch);
    int32_t spike = mixed % 9973 == 0 ? (int32_t)(mixed % 20000) - 10000 : 0;
    return (int32_t)(scan / 1000 % 977) + (int32_t)(mixed >> 28) + spike + 100 * (int32_t)input;
}

/* The stream as it was recorded: where each epoch began, and which scans it has not. */
struct span {
    uint32_t epoch;
    uint64_t first, scans;
    int64_t from_ns;
};
static struct span spans[16];
static size_t span_count;

static struct chunk block(uint32_t epoch, uint64_t first, uint32_t scans, int64_t from_ns) {
    static int32_t samples[INPUTS][CODEC_SAMPLES_MAX];
    const int32_t *counts[INPUTS];
    const uint8_t *coded[INPUTS];
    size_t length[INPUTS];
    struct codec_work *work;
    assert_int_equal(codec_work_new(&work), 0);
    uint8_t *bytes = malloc(INPUTS * codec_bound(scans));
    assert_non_null(bytes);
    for (size_t input = 0; input < INPUTS; input++) {
        for (uint32_t i = 0; i < scans; i++)
            samples[input][i] = sample(epoch, input, first + i);
        uint8_t *to = bytes + input * codec_bound(scans);
        counts[input] = samples[input];
        coded[input] = to;
        length[input] = codec_encode(work, samples[input], scans, CODEC_FAST, to);
    }
    struct chunk_place place = {.stream = 1, .epoch = epoch, .first_scan = first};
    struct chunk chunk = {0};
    assert_int_equal(chunk_block(&chunk, &place, scans, INPUTS, coded, length), 0);
    chunk.from_ns = from_ns;
    chunk.to_ns = from_ns + (int64_t)scans * PERIOD_NS;
    chunk.summary = summary_rows_make(counts, INPUTS, first, scans);
    assert_non_null(chunk.summary);
    free(bytes);
    codec_work_free(work);
    return chunk;
}

static void append(struct disk_ring *ring, struct chunk chunk) {
    assert_int_equal(disk_ring_append(ring, &chunk), 0);
    chunk_done(&chunk);
}

/* Of another stream, whose samples must not show. */
static struct chunk other_block(uint32_t epoch, uint64_t first) {
    struct chunk chunk = recording_block(0, epoch, first, 20);
    int32_t samples[2][20];
    const int32_t *const counts[2] = {samples[0], samples[1]};
    for (size_t input = 0; input < 2; input++)
        for (size_t i = 0; i < 20; i++)
            samples[input][i] = recording_sample(0, epoch, input, first + i);
    chunk.summary = summary_rows_make(counts, 2, first, 20);
    return chunk;
}

/* Scans of one epoch from `first` on, in blocks of all lengths. */
static int64_t record(struct disk_ring *ring, uint32_t epoch, uint64_t first, uint64_t scans,
                      int64_t from_ns) {
    static const uint32_t lengths[] = {10000, 2500, 1, 255, 256, 257, 9999, 65536, 700};
    spans[span_count++] = (struct span){epoch, first, scans, from_ns};
    for (size_t i = 0; scans > 0; i++) {
        uint32_t length = lengths[i % (sizeof lengths / sizeof *lengths)];
        length = length < scans ? length : (uint32_t)scans;
        append(ring, block(epoch, first, length, from_ns));
        if (i % 5 == 0)
            append(ring, other_block(epoch, first));
        first += length;
        scans -= length;
        from_ns += (int64_t)length * PERIOD_NS;
    }
    return from_ns;
}

/* Three stretches: a loss of known size inside an epoch, and another epoch after a while. */
static struct disk_ring *make_ring(const char *folder, uint64_t segment_bytes) {
    struct disk_ring_settings settings = {.bytes = 1u << 30, .segment_bytes = segment_bytes};
    struct disk_ring_found found;
    struct disk_ring *ring = NULL;
    span_count = 0;
    assert_int_equal(disk_ring_open(folder, &settings, &found, &ring), 0);
    assert_int_equal(disk_ring_set_head(ring, "{}"), 0);
    append(ring, recording_clock(1, 1, 0, RECORDING_S, 0, 1e9 / PERIOD_NS, 1));
    int64_t at = record(ring, 1, 0, SCANS / 2 + 77, RECORDING_S);
    append(ring, recording_loss(1, 1, SCANS / 2 + 77, 12345, "packet lost"));
    at = record(ring, 1, SCANS / 2 + 77 + 12345, SCANS / 4, at + INT64_C(12345) * PERIOD_NS);
    record(ring, 2, 0, SCANS / 4, at + 3 * RECORDING_S);
    assert_int_equal(disk_ring_sync(ring), 0);
    return ring;
}

/* Of all samples in [from_ns, to_ns). */
static struct overview_column column_of(size_t input, double from_ns, double to_ns) {
    struct overview_column column = {INT32_MAX, INT32_MIN, (double)NAN};
    int64_t sum = 0;
    int64_t count = 0;
    for (size_t i = 0; i < span_count; i++) {
        const struct span *span = &spans[i];
        double first = (from_ns - (double)span->from_ns) / PERIOD_NS;
        uint64_t scan = first > 0 ? (uint64_t)first : 0;
        for (; scan < span->scans; scan++) {
            double ns = (double)span->from_ns + (double)scan * PERIOD_NS;
            if (ns < from_ns)
                continue;
            if (ns >= to_ns)
                break;
            int32_t value = sample(span->epoch, input, span->first + scan);
            column.low = value < column.low ? value : column.low;
            column.high = value > column.high ? value : column.high;
            sum += value;
            count++;
        }
    }
    if (count)
        column.mean = (double)sum / (double)count;
    return column;
}

/* A row's mean is rounded to a count; a row at the edge is taken by its share, and the samples of
 * one row are within so many counts of each other, but for the spikes. */
static bool mean_fits(const struct overview_column *got, const struct overview_column *own,
                      double beside) {
    if (isnan(own->mean))
        return beside > 0 || isnan(got->mean);
    double most = beside > 0 ? 0.5 + 0.02 * ((double)own->high - own->low) + 60 : 1e-6;
    return fabs(got->mean - own->mean) <= most;
}

/* Draws and checks every column: all of its own, nothing from further than `beside` columns. */
static void check_window(struct overview *overview, struct memory_ring *memory, int64_t from_ns,
                         int64_t to_ns, size_t columns, double beside) {
    struct overview_window window = {1, INPUTS, from_ns, to_ns, columns};
    struct overview_column *drawn = malloc(columns * INPUTS * sizeof *drawn);
    assert_non_null(drawn);
    assert_int_equal(overview_draw(overview, memory, &window, drawn), 0);
    double width = (double)(to_ns - from_ns) / (double)columns;
    for (size_t column = 0; column < columns; column++) {
        double begin = (double)from_ns + (double)column * width;
        for (size_t input = 0; input < INPUTS; input++) {
            struct overview_column own = column_of(input, begin, begin + width);
            struct overview_column wide =
                column_of(input, begin - beside * width, begin + (1 + beside) * width);
            const struct overview_column *got = &drawn[column * INPUTS + input];
            if (got->low > own.low || got->high < own.high || got->low < wide.low ||
                got->high > wide.high || !mean_fits(got, &own, beside))
                fail_msg("column %zu of %zu, input %zu: %d..%d, mean %f, not %d..%d, %f", column,
                         columns, input, got->low, got->high, got->mean, own.low, own.high,
                         own.mean);
        }
    }
    free(drawn);
}

/* The two that make_ring() left: of known size, and between the epochs. */
static void check_losses(struct overview *overview) {
    size_t count;
    const struct overview_loss *losses = overview_losses(overview, &count);
    assert_int_equal(count, 2);
    for (size_t i = 0; i < 2; i++) {
        int64_t end_ns = spans[i].from_ns + (int64_t)spans[i].scans * PERIOD_NS;
        assert_int_equal(losses[i].from_ns, end_ns);
        assert_int_equal(losses[i].to_ns, spans[i + 1].from_ns);
    }
    assert_int_equal(losses[0].scans, 12345);
    assert_true(losses[1].scans == RECORD_LOSS_UNKNOWN);
}

static void check_all(const char *folder) {
    struct overview *overview;
    assert_int_equal(overview_open(folder, &overview), 0);
    int64_t begin = RECORDING_S;
    int64_t end = spans[span_count - 1].from_ns + SCANS / 4 * (int64_t)PERIOD_NS;
    check_window(overview, NULL, begin, end, 1, 1);
    check_window(overview, NULL, begin, end, 37, 1);
    check_window(overview, NULL, begin, end, 1000, 1);
    check_losses(overview);
    check_window(overview, NULL, begin - 5 * RECORDING_S, end + 9 * RECORDING_S, 90, 1);
    check_window(overview, NULL, begin + 30 * RECORDING_S, begin + 41 * RECORDING_S, 300, 1);
    /* Columns narrower than a row: to the sample. Column edges fall between samples. */
    check_window(overview, NULL, begin + 12 * RECORDING_S - 50000, begin + 13 * RECORDING_S - 50000,
                 1000, 0);
    check_window(overview, NULL, begin + 35 * RECORDING_S - 50000, begin + 36 * RECORDING_S - 50000,
                 125, 0);
    overview_free(overview);
}

/* All segments but at most so many have their index; how many there are. */
static size_t check_indexed(const char *folder, size_t without) {
    struct overview *overview;
    assert_int_equal(overview_open(folder, &overview), 0);
    struct overview_state state = overview_state(overview);
    overview_free(overview);
    assert_true(state.indexed + without >= state.segments);
    return state.segments;
}

static void every_column_is_what_the_samples_are(void **state) {
    (void)state;
    static const uint64_t sizes[] = {40000, 200000, 0};
    for (size_t i = 0; i < 3; i++) {
        char *folder = recording_folder();
        disk_ring_close(make_ring(folder, sizes[i]));
        check_indexed(folder, 0);
        check_all(folder);
        recording_folder_remove(folder);
    }
}

static void while_it_is_being_written(void **state) {
    (void)state;
    char *folder = recording_folder();
    struct disk_ring *ring = make_ring(folder, 300000);
    check_indexed(folder, 1);
    check_all(folder);
    disk_ring_close(ring);
    check_all(folder);
    recording_folder_remove(folder);
}

static void without_the_catalogue(void **state) {
    (void)state;
    char *folder = recording_folder();
    size_t size;
    char path[256];
    disk_ring_close(make_ring(folder, 30000));
    snprintf(path, sizeof path, "%s/catalogue", folder);
    uint8_t *bytes = recording_file(path, &size);
    assert_int_equal(unlink(path), 0);
    assert_true(check_indexed(folder, 1) > 4);
    check_all(folder);

    /* Cut in a record, and a record damaged. */
    bytes[size / 2] ^= 0x10;
    recording_write_file(folder, "catalogue", bytes, size - 20);
    check_indexed(folder, 1);
    check_all(folder);

    /* The next daemon writes it anew. */
    snprintf(path, sizeof path, "%s/catalogue", folder);
    assert_int_equal(unlink(path), 0);
    struct disk_ring *ring = NULL;
    struct disk_ring_settings settings = {.bytes = 1u << 30};
    struct disk_ring_found found;
    assert_int_equal(disk_ring_open(folder, &settings, &found, &ring), 0);
    disk_ring_close(ring);
    assert_int_equal(found.damaged, 0);
    assert_int_equal(found.last_epoch, 2);
    assert_true(access(path, R_OK) == 0);
    check_indexed(folder, 1);
    check_all(folder);

    /* Of other segments of the same numbers. */
    char *other = recording_folder();
    disk_ring_close(make_ring(other, 27000));
    free(bytes);
    snprintf(path, sizeof path, "%s/catalogue", other);
    bytes = recording_file(path, &size);
    recording_write_file(folder, "catalogue", bytes, size);
    check_all(folder);
    free(bytes);
    recording_folder_remove(other);
    recording_folder_remove(folder);
}

/* Flips a byte in the payload of every chunk of a type, in all segments. */
static void damage(const char *folder, enum chunk_type type) {
    struct disk_ring_list list;
    assert_int_equal(disk_ring_list_folder(folder, &list), 0);
    for (size_t i = 0; i < list.count; i++) {
        struct container_reader *reader;
        const struct container_entry *entry;
        assert_int_equal(container_open(list.path[i], &reader), 0);
        int file = open(list.path[i], O_RDWR);
        assert_true(file >= 0);
        for (size_t k = 0; k < container_entries(reader, &entry); k++)
            if (entry[k].type == type)
                assert_int_equal(
                    pwrite(file, "damaged", 7, (off_t)entry[k].offset + CHUNK_HEADER_SIZE + 20), 7);
        close(file);
        container_reader_free(reader);
    }
    disk_ring_list_done(&list);
}

static void damaged_hints_cost_time_only(void **state) {
    (void)state;
    char *folder = recording_folder();
    disk_ring_close(make_ring(folder, 200000));
    damage(folder, CHUNK_SUMMARY);
    check_all(folder);
    damage(folder, CHUNK_INDEX);
    check_all(folder);
    recording_folder_remove(folder);
}

static void blocks_without_a_summary_are_read(void **state) {
    (void)state;
    char *folder = recording_folder();
    struct disk_ring_settings settings = {.bytes = 1u << 30, .segment_bytes = 50000};
    struct disk_ring_found found;
    struct disk_ring *ring = NULL;
    assert_int_equal(disk_ring_open(folder, &settings, &found, &ring), 0);
    assert_int_equal(disk_ring_set_head(ring, "{}"), 0);
    append(ring, recording_clock(1, 1, 0, RECORDING_S, 0, 1e9 / PERIOD_NS, 1));
    span_count = 1;
    spans[0] = (struct span){1, 0, 200000, RECORDING_S};
    for (uint64_t scan = 0; scan < 200000; scan += 10000) {
        struct chunk chunk = block(1, scan, 10000, RECORDING_S + (int64_t)scan * PERIOD_NS);
        if (scan / 10000 % 7 == 3) {
            free(chunk.summary);
            chunk.summary = NULL;
        }
        append(ring, chunk);
    }
    disk_ring_close(ring);
    struct overview *overview;
    assert_int_equal(overview_open(folder, &overview), 0);
    assert_true(overview_state(overview).indexed < overview_state(overview).segments);
    check_window(overview, NULL, RECORDING_S, 21 * RECORDING_S, 50, 1);
    overview_free(overview);
    recording_folder_remove(folder);
}

/* As a daemon has it: older blocks on the disk, newer ones in memory, one of them in both. */
static void what_is_still_in_memory(void **state) {
    (void)state;
    char *folder = recording_folder();
    struct disk_ring_settings settings = {.bytes = 1u << 30};
    struct disk_ring_found found;
    struct disk_ring *ring = NULL;
    struct memory_ring *memory = NULL;
    struct overview *overview;
    assert_int_equal(memory_ring_new(1u << 30, &memory), 0);
    assert_int_equal(disk_ring_open(folder, &settings, &found, &ring), 0);
    assert_int_equal(disk_ring_set_head(ring, "{}"), 0);
    append(ring, recording_clock(1, 1, 0, RECORDING_S, 0, 1e9 / PERIOD_NS, 1));
    span_count = 1;
    spans[0] = (struct span){1, 0, 200000, RECORDING_S};
    for (uint64_t scan = 0; scan < 200000; scan += 10000) {
        int64_t from_ns = RECORDING_S + (int64_t)scan * PERIOD_NS;
        if (scan <= 100000)
            append(ring, block(1, scan, 10000, from_ns));
        struct chunk held = block(1, scan, 10000, from_ns);
        if (scan >= 100000)
            memory_ring_put(memory, &held);
        chunk_done(&held);
    }
    assert_int_equal(overview_open(folder, &overview), 0);
    for (int i = 0; i < 2; i++) {
        size_t losses;
        check_window(overview, memory, RECORDING_S, 21 * RECORDING_S, 50, 1);
        check_window(overview, memory, RECORDING_S, 21 * RECORDING_S, 1, 1);
        check_window(overview, memory, 10 * RECORDING_S - 50000, 14 * RECORDING_S - 50000, 777, 0);
        (void)overview_losses(overview, &losses);
        assert_int_equal(losses, 0);
        /* The overview stays open while all of it goes to the disk, into new segments. */
        struct chunk taken;
        while (i == 0 && memory_ring_take(memory, &taken, 0)) {
            if (taken.place.first_scan == 150000)
                assert_int_equal(disk_ring_set_head(ring, "{\"other\":1}"), 0);
            if (taken.place.first_scan > 100000)
                append(ring, taken);
            else
                chunk_done(&taken);
        }
    }
    overview_free(overview);
    memory_ring_free(memory);
    disk_ring_close(ring);
    recording_folder_remove(folder);
}

#define HELD   10000
#define BLOCKS 120

struct writing {
    struct memory_ring *memory;
    struct disk_ring *ring;
    size_t written;
};

static void *write_all(void *context) {
    struct writing *writing = context;
    struct chunk chunk;
    while (memory_ring_take(writing->memory, &chunk, 60000)) {
        writing->written += disk_ring_append(writing->ring, &chunk) == 0;
        chunk_done(&chunk);
    }
    return NULL;
}

/* All that was put is found, but for the one block that is in the writer's hands. */
static void look_beside(const char *folder, struct memory_ring *memory, uint64_t put) {
    struct overview_window window = {1, INPUTS, RECORDING_S, RECORDING_S + (int64_t)put * PERIOD_NS,
                                     20};
    struct overview_column drawn[20 * INPUTS];
    struct overview *overview;
    size_t count;
    assert_int_equal(overview_open(folder, &overview), 0);
    assert_int_equal(overview_draw(overview, memory, &window, drawn), 0);
    const struct overview_loss *losses = overview_losses(overview, &count);
    assert_true(count <= 1);
    if (count)
        assert_int_equal(losses[0].scans, HELD);
    for (size_t i = 0; i < 20 * (size_t)INPUTS; i++)
        if (drawn[i].low <= drawn[i].high)
            assert_true(drawn[i].mean >= drawn[i].low - 0.5 &&
                        drawn[i].mean <= drawn[i].high + 0.5);
    overview_free(overview);
}

static void beside_the_writer(void **state) {
    (void)state;
    char *folder = recording_folder();
    struct disk_ring_settings settings = {.bytes = 1u << 30, .segment_bytes = 100000};
    struct disk_ring_found found;
    struct writing writing = {0};
    pthread_t thread;
    assert_int_equal(memory_ring_new(1u << 30, &writing.memory), 0);
    assert_int_equal(disk_ring_open(folder, &settings, &found, &writing.ring), 0);
    assert_int_equal(disk_ring_set_head(writing.ring, "{}"), 0);
    append(writing.ring, recording_clock(1, 1, 0, RECORDING_S, 0, 1e9 / PERIOD_NS, 1));
    assert_int_equal(pthread_create(&thread, NULL, write_all, &writing), 0);
    for (uint64_t i = 0; i < BLOCKS; i++) {
        struct chunk held = block(1, i * HELD, HELD, RECORDING_S + (int64_t)(i * HELD) * PERIOD_NS);
        memory_ring_put(writing.memory, &held);
        if (i % 3 == 2)
            look_beside(folder, writing.memory, (i + 1) * HELD);
    }
    memory_ring_close(writing.memory);
    pthread_join(thread, NULL);
    assert_int_equal(writing.written, BLOCKS);
    disk_ring_close(writing.ring);
    memory_ring_free(writing.memory);
    recording_folder_remove(folder);
}

/* Somebody notes something before the board has sent anything: what follows is drawn all the same,
 * also what began before the mark's moment. */
static void a_mark_before_everything(void **state) {
    (void)state;
    char *folder = recording_folder();
    struct disk_ring_settings settings = {.bytes = 1u << 30};
    struct disk_ring_found found;
    struct disk_ring *ring = NULL;
    struct overview *overview;
    span_count = 0;
    assert_int_equal(disk_ring_open(folder, &settings, &found, &ring), 0);
    assert_int_equal(disk_ring_set_head(ring, "{}"), 0);
    append(ring, recording_mark("{\"name\":\"note\"}", RECORDING_S + RECORDING_S / 2));
    append(ring, recording_clock(1, 1, 0, RECORDING_S, 0, 1e9 / PERIOD_NS, 1));
    int64_t end = record(ring, 1, 0, 20000, RECORDING_S);
    assert_int_equal(disk_ring_sync(ring), 0);
    assert_int_equal(overview_open(folder, &overview), 0);
    check_window(overview, NULL, RECORDING_S, end, 10, 1);
    check_window(overview, NULL, RECORDING_S, RECORDING_S + RECORDING_S / 4, 10, 1);
    overview_free(overview);
    disk_ring_close(ring);
    recording_folder_remove(folder);
}

static void empty_windows_and_rings(void **state) {
    (void)state;
    char *folder = recording_folder();
    struct overview *overview;
    struct overview_column drawn[4];
    assert_int_equal(overview_open(folder, &overview), 0);
    assert_int_equal(overview_state(overview).segments, 0);
    struct overview_window window = {0, 1, 0, 100, 4};
    assert_int_equal(overview_draw(overview, NULL, &window, drawn), 0);
    assert_true(drawn[3].low > drawn[3].high && isnan(drawn[3].mean));
    window.to_ns = 0;
    assert_int_equal(overview_draw(overview, NULL, &window, drawn), -EINVAL);
    overview_free(overview);
    overview_free(NULL);
    recording_folder_remove(folder);
    assert_int_equal(overview_open("/nowhere/at/all", &overview), -ENOENT);
}

int main(void) {
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(every_column_is_what_the_samples_are),
        cmocka_unit_test(while_it_is_being_written),
        cmocka_unit_test(without_the_catalogue),
        cmocka_unit_test(damaged_hints_cost_time_only),
        cmocka_unit_test(blocks_without_a_summary_are_read),
        cmocka_unit_test(what_is_still_in_memory),
        cmocka_unit_test(beside_the_writer),
        cmocka_unit_test(a_mark_before_everything),
        cmocka_unit_test(empty_windows_and_rings),
    };
    return cmocka_run_group_tests_name("overview", tests, NULL, NULL);
}
