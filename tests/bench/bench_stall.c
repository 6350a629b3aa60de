// SPDX-License-Identifier: Apache-2.0
/*
 * bench_stall.c - the disk stops under a source that does not wait, and goes on. Then every scan
 * that was sent is looked for: with the samples that it was sent with, or in a loss of its place.
 */
#include "bench.h"
#include "bench_bulk.h"
#include "bench_chain.h"
#include "bench_disk.h"
#include "bench_van.h"
#include "codec.h"
#include "container.h"

#include <sched.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/resource.h>

enum { BEFORE_S = 2, BEHIND_S = 4, FLUSH_MS = 120000, DISK_MIB = 6000, PATTERN = 1024 };
#define SKIPPED 77
#define MIB     1048576.0

struct asked {
    unsigned seconds; /* that the disk stands still */
    double bytes_per_s;
    unsigned memory_mib; /* of the memory ring; 0: what the daemon would give it */
    bool json;
};

/* What the ring's files say. */
struct found {
    uint64_t next;           /* the scan that must come next */
    uint64_t scans, changed; /* on the disk; of them with other samples than were sent */
    uint64_t lost, losses;   /* to the disk: "disk too slow" */
    uint64_t lost_otherwise;
    int64_t lost_from_ns, lost_to_ns;
    bool misplaced; /* a scan twice, or passed over without a loss */
};

struct outcome {
    uint64_t sent, counted_lost;
    struct memory_ring_state memory;
    struct disk_stop stop;
    struct found found;
};

/* ---- what was sent ---- */

static int32_t (*pattern)[BULK_INPUTS]; /* of PATTERN packets, which come again and again */

static int make_pattern(void) {
    uint8_t *bytes = malloc((size_t)PATTERN * BULK_PACKET);
    pattern = malloc((size_t)PATTERN * BULK_SCANS * sizeof *pattern);
    if (bytes && pattern) {
        bulk_fill(bytes, PATTERN);
        for (size_t scan = 0; scan < (size_t)PATTERN * BULK_SCANS; scan++)
            bulk_counts(bytes, scan, pattern[scan]);
    }
    free(bytes);
    return bytes && pattern ? 0 : -1;
}

/* ---- what is found ---- */

static int check_block(struct codec_work *work, const struct chunk *chunk, struct found *found) {
    static int32_t counts[CODEC_SAMPLES_MAX];
    static bool changed[CODEC_SAMPLES_MAX];
    memset(changed, 0, chunk->scans);
    for (size_t input = 0; input < BULK_INPUTS; input++) {
        const uint8_t *coded;
        size_t length;
        if (chunk_block_input(chunk, input, &coded, &length) < 0 ||
            codec_decode(work, coded, length, counts, chunk->scans) < 0)
            return -1;
        uint64_t at = chunk->place.first_scan % ((uint64_t)PATTERN * BULK_SCANS);
        for (uint32_t i = 0; i < chunk->scans; i++) {
            changed[i] |= counts[i] != pattern[at][input];
            at = at + 1 == (uint64_t)PATTERN * BULK_SCANS ? 0 : at + 1;
        }
    }
    for (uint32_t i = 0; i < chunk->scans; i++)
        found->changed += changed[i];
    found->scans += chunk->scans;
    found->next += chunk->scans;
    return 0;
}

static int take_loss(const struct chunk *chunk, struct found *found) {
    static const char too_slow[] = "disk too slow";
    const char *reason;
    size_t length;
    uint64_t scans;
    if (chunk_parse_loss(chunk, &scans, &reason, &length) < 0)
        return -1;
    found->next += scans;
    if (length != strlen(too_slow) || memcmp(reason, too_slow, length) != 0) {
        found->lost_otherwise += scans;
        return 0;
    }
    if (found->losses++ == 0)
        found->lost_from_ns = chunk->from_ns;
    found->lost_to_ns = chunk->to_ns;
    found->lost += scans;
    return 0;
}

static int read_segment(struct codec_work *work, const char *path, struct found *found) {
    struct container_reader *reader;
    const struct container_entry *entry;
    if (container_open(path, &reader) < 0)
        return -1;
    int result = 0;
    size_t count = container_entries(reader, &entry);
    for (size_t i = 0; result == 0 && i < count; i++) {
        struct chunk chunk = {0};
        if (entry[i].type != CHUNK_BLOCK && entry[i].type != CHUNK_LOSS)
            continue;
        found->misplaced |= entry[i].place.first_scan != found->next;
        result = container_read(reader, i, &chunk);
        if (result == 0)
            result = chunk.type == CHUNK_LOSS ? take_loss(&chunk, found)
                                              : check_block(work, &chunk, found);
        chunk_done(&chunk);
    }
    container_reader_free(reader);
    return result;
}

static int read_ring(const char *folder, struct found *found) {
    struct disk_ring_list list = {0};
    struct codec_work *work = NULL;
    int result = codec_work_new(&work);
    if (result == 0)
        result = disk_ring_list_folder(folder, &list);
    for (size_t i = 0; result == 0 && i < list.count; i++)
        result = read_segment(work, list.path[i], found);
    disk_ring_list_done(&list);
    codec_work_free(work);
    return result;
}

/* ---- the run ---- */

static int run_chain(struct chain *chain, const struct asked *asked, const char *folder,
                     struct outcome *outcome) {
    const double rate_hz = asked->bytes_per_s / 2 / BULK_INPUTS;
    pid_t source = 0;
    int told = -1;
    uint64_t reads =
        (uint64_t)((BEFORE_S + asked->seconds + BEHIND_S) * rate_hz / (2 * BULK_SCANS));
    pid_t stopper = disk_stop_later(folder, BEFORE_S, asked->seconds, &told);
    if (stopper < 0)
        return -1;
    int from = bulk_start(rate_hz, reads, sched_getcpu(), &source);
    int result = from < 0 ? -1 : chain_take_paced(chain, from);
    if (from >= 0 && van_board_end(from, source) < 0)
        result = -1;
    if (disk_stopped(stopper, told, &outcome->stop) < 0 ||
        writer_flush(chain->writer, FLUSH_MS) < 0)
        return -1;
    outcome->sent = reads * 2 * BULK_SCANS;
    outcome->memory = memory_ring_state(chain->memory);
    outcome->counted_lost = outcome->memory.scans_lost;
    return result;
}

static int measure(const struct asked *asked, const char *folder, struct outcome *outcome) {
    static struct chain chain;
    char lines[4300], disk[4200], memory[64];
    (void)snprintf(disk, sizeof disk, "%s/disk", folder);
    if (bulk_board_file(folder, asked->bytes_per_s / 2 / BULK_INPUTS, lines, sizeof lines) < 0)
        return -1;
    (void)snprintf(memory, sizeof memory, "\n[storage]\nmemory = %u MiB", asked->memory_mib);
    if (asked->memory_mib > 0)
        strncat(lines, memory, sizeof lines - strlen(lines) - 1);
    (void)setenv("TMPDIR", disk, 1); /* the chain's folder is on the disk that stops */
    int result = chain_open(&chain, lines);
    if (result == 0)
        result = run_chain(&chain, asked, folder, outcome);
    if (result == 0)
        result = read_ring(chain.folder, &outcome->found);
    chain_close(&chain);
    return result;
}

/* Is each scan accounted for, and what was lost counted as it is placed? */
static bool exact(const struct outcome *o) {
    return !o->found.misplaced && o->found.changed == 0 && o->found.next == o->sent &&
           o->found.lost == o->counted_lost &&
           o->found.scans + o->found.lost + o->found.lost_otherwise == o->sent;
}

static void print_outcome(const struct asked *asked, const struct outcome *o) {
    double stood_s = (double)(o->stop.to_ns - o->stop.from_ns) * 1e-9;
    double from_s = (double)(o->found.lost_from_ns - o->stop.from_ns) * 1e-9;
    double to_s = (double)(o->found.lost_to_ns - o->stop.from_ns) * 1e-9;
    double bound = (double)o->memory.bound;
    double full = (double)o->memory.fullest / bound;
    if (asked->json) {
        printf("{\"schema\":\"cranktrap.bench-stall/1\",\"bytes_per_s\":%.0f,\"stood_s\":%.3f,"
               "\"scans_sent\":%llu,\"scans_on_disk\":%llu,\"scans_changed\":%llu,"
               "\"scans_lost\":%llu,\"scans_counted_lost\":%llu,\"losses\":%llu,"
               "\"scans_lost_otherwise\":%llu,\"lost_from_s\":%.3f,\"lost_to_s\":%.3f,"
               "\"memory_bound\":%.0f,\"memory_full\":%.4f,\"peak_mib\":%.1f,\"exact\":%s}\n",
               asked->bytes_per_s, stood_s, (unsigned long long)o->sent,
               (unsigned long long)o->found.scans, (unsigned long long)o->found.changed,
               (unsigned long long)o->found.lost, (unsigned long long)o->counted_lost,
               (unsigned long long)o->found.losses, (unsigned long long)o->found.lost_otherwise,
               o->found.losses ? from_s : 0, o->found.losses ? to_s : 0, bound, full,
               chain_memory_mib("VmHWM:"), exact(o) ? "true" : "false");
        return;
    }
    printf("stall: %.3g MB/s of 16-bit samples; the disk stood still for %.1f s\n",
           asked->bytes_per_s / 1e6, stood_s);
    printf("  scans sent      %12llu, on the disk %llu (%llu of them changed)\n",
           (unsigned long long)o->sent, (unsigned long long)o->found.scans,
           (unsigned long long)o->found.changed);
    printf(
        "  lost            %12llu in %llu places, counted %llu; for want of the processor %llu\n",
        (unsigned long long)o->found.lost, (unsigned long long)o->found.losses,
        (unsigned long long)o->counted_lost, (unsigned long long)o->found.lost_otherwise);
    if (o->found.losses)
        printf("  from %.2f s to %.2f s after the disk had stopped\n", from_s, to_s);
    printf("  memory ring     %12.1f MiB, %.0f %% full at most\n", bound / MIB, 100 * full);
    printf("  %s\n", exact(o) ? "each scan is accounted for" : "NOT each scan is accounted for");
}

static int run(const struct asked *asked) {
    struct outcome outcome = {0};
    char folder[4096];
    if (setpriority(PRIO_PROCESS, 0, -20) < 0 || make_pattern() < 0)
        fprintf(stderr, "cranktrap-bench stall: at no higher priority than others\n");
    if (van_folder_make(folder, sizeof folder) < 0)
        return 1;
    int status = 1;
    if (disk_make(folder, DISK_MIB) < 0) {
        fprintf(stderr, "NOT RUN: cranktrap-bench stall: no disk that can be stopped (root, a loop "
                        "device, mkfs.ext4)\n");
        status = SKIPPED;
    } else if (measure(asked, folder, &outcome) < 0) {
        fprintf(stderr, "cranktrap-bench stall: it could not be measured\n");
    } else {
        print_outcome(asked, &outcome);
        bool promised = asked->memory_mib == 0 && asked->seconds <= HOOKUP_STALL_S;
        status = exact(&outcome) && (!promised || outcome.found.lost == 0) ? 0 : 1;
    }
    disk_remove(folder);
    van_folder_remove(folder);
    free(pattern);
    return status;
}

int bench_stall(int argc, char **argv) {
    struct asked asked = {.seconds = 10, .bytes_per_s = 60e6};
    bool wrong = false;
    for (int i = 1; i < argc; i++) {
        bool more = i + 1 < argc;
        if (strcmp(argv[i], "--json") == 0)
            asked.json = true;
        else if (strcmp(argv[i], "--seconds") == 0 && more)
            asked.seconds = (unsigned)strtoul(argv[++i], NULL, 10);
        else if (strcmp(argv[i], "--mb-per-s") == 0 && more)
            asked.bytes_per_s = 1e6 * strtod(argv[++i], NULL);
        else if (strcmp(argv[i], "--memory-mib") == 0 && more)
            asked.memory_mib = (unsigned)strtoul(argv[++i], NULL, 10);
        else
            wrong = true;
    }
    if (wrong || asked.seconds < 1 || asked.seconds > 600 || asked.bytes_per_s < 1e5 ||
        asked.bytes_per_s > 100e6 || asked.memory_mib > 4096) {
        fprintf(stderr, "usage: cranktrap-bench stall [--json] [--seconds N] [--mb-per-s N] "
                        "[--memory-mib N]\n");
        return 2;
    }
    if (bench_one_core() < 0)
        fprintf(stderr, "cranktrap-bench stall: not bound to one core\n");
    return run(&asked);
}
