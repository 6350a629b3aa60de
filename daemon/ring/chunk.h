// SPDX-License-Identifier: Apache-2.0
/*
 * chunk.h - the parts of a container (.crank, .ring), in memory and as bytes. docs/format.md.
 *
 * A container is a run of chunks, each complete in itself: magic, type, flags, length, sequence,
 * CRC-32 over all of it. Little-endian. Nothing in a chunk promises a later one.
 */
#ifndef CRANKTRAP_CHUNK_H
#define CRANKTRAP_CHUNK_H

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

#define CHUNK_VERSION     1  /* of the format: settled, docs/format.md "What may change" */
#define CHUNK_HEADER_SIZE 32 /* bytes before the payload */
#define CHUNK_AT_VERSION  4  /* in the header of every version */
#define CHUNK_PAYLOAD_MAX (16u << 20)

enum chunk_type {
    CHUNK_HEAD = 1,    /* JSON: boards, inputs, scales, hookup, software. First; again on change */
    CHUNK_BLOCK = 2,   /* coded samples of one stream */
    CHUNK_LOSS = 3,    /* scans of one stream known to be missing */
    CHUNK_CLOCK = 4,   /* scan <-> elapsed time of one stream */
    CHUNK_MARK = 5,    /* JSON: a trigger, a note; of all streams */
    CHUNK_END = 7,     /* the writer closed the file properly; a hint */
    CHUNK_INDEX = 8,   /* where in the file what stands; a hint */
    CHUNK_SUMMARY = 9, /* lowest, highest, mean of one stream's samples on a coarse grid; a hint */
};

/* Where in its stream a BLOCK, LOSS, CLOCK or SUMMARY chunk belongs. */
struct chunk_place {
    uint16_t stream;
    uint32_t epoch;
    uint64_t first_scan;
};

/*
 * A whole chunk in memory: `bytes` from magic to the end of the payload, `length` of them. The
 * times may be set until it is written: chunk_seal, and so container_append, takes them from here.
 */
struct chunk {
    enum chunk_type type;     /* of a later program: a number not named above; skip it */
    struct chunk_place place; /* zeros for HEAD, MARK and END */
    uint32_t scans;           /* of a BLOCK; else 0 */
    int64_t from_ns, to_ns;   /* the elapsed time it covers, as estimated when it was made */
    size_t length;
    uint8_t *bytes;
    struct summary_rows *summary; /* of a BLOCK just made (summary.h), owned; NULL: none */
};

/* A position of a stream's scans in time, made by the clock. */
struct chunk_clock {
    struct chunk_place place; /* first_scan: the scan the times below are of */
    int64_t elapsed_ns;       /* CLOCK_BOOTTIME, or the simulated board's own time */
    int64_t wall_ns;          /* CLOCK_REALTIME at the same moment: only a mapping */
    double rate_hz;           /* true scans a second from here on */
    double error_ns;          /* elapsed_ns is right within this, one standard deviation */
    uint8_t boot[16];         /* which boot elapsed_ns counts from */
};

/*
 * Builders: allocate `chunk->bytes` (free with chunk_done). The sequence and the file's number are
 * filled in at writing. 0; -ENOMEM; -EMSGSIZE above CHUNK_PAYLOAD_MAX; -EINVAL for values no reader
 * would take. `*chunk` is untouched on failure.
 */

/* `coded[input]` of `coded_length[input]` bytes each, from codec_encode. Set from_ns and to_ns of
 * the chunk afterwards. */
int chunk_block(struct chunk *chunk, const struct chunk_place *place, uint32_t scans, size_t inputs,
                const uint8_t *const *coded, const size_t *coded_length);
/* `scans`: RECORD_LOSS_UNKNOWN for an unknown number. `reason`: a short plain phrase. */
int chunk_loss(struct chunk *chunk, const struct chunk_place *place, uint64_t scans,
               const char *reason);
int chunk_clock_make(struct chunk *chunk, const struct chunk_clock *clock);
/* `coded[3 * input]` the lowest of each row, behind it the highest, then the mean; summary.h. */
#define CHUNK_SUMMARY_PARTS 3
int chunk_summary(struct chunk *chunk, const struct chunk_place *place, uint64_t scans,
                  uint32_t span, size_t inputs, const uint8_t *const *coded,
                  const size_t *coded_length);
/* `count` entries of where in the file what stands; index.h. */
struct chunk_index_entry {
    uint64_t offset;
    int64_t from_ns, to_ns;
    uint32_t span; /* 0: a stretch of the file with blocks of any stream; else a SUMMARY chunk */
    uint16_t rows;
    uint16_t stream;
};
int chunk_index(struct chunk *chunk, const struct chunk_index_entry *entry, size_t count);
/* HEAD and MARK: JSON text; MARK with the moment it is about. */
int chunk_text(struct chunk *chunk, enum chunk_type type, const char *json, int64_t elapsed_ns);
int chunk_end(struct chunk *chunk);

/* Frees the bytes and zeroes; takes NULL and zeroed chunks. */
void chunk_done(struct chunk *chunk);

/* Bytes at the front of a chunk that chunk_seal may change; the rest stays as it is. */
#define CHUNK_FRONT_MAX 72

/*
 * What is to be written in front: `front` (CHUNK_FRONT_MAX bytes) gets the header and the times
 * with `sequence`, the file's number and both check sums. Returns how many bytes of chunk->bytes
 * they replace.
 */
size_t chunk_seal(const struct chunk *chunk, uint32_t sequence, uint64_t file, uint8_t *front);

/*
 * The header alone, at bytes[0] of `count`: true where it is sound. Gives the whole length of the
 * chunk and the number of the file it was written into.
 */
bool chunk_header(const uint8_t *bytes, size_t count, size_t *length, uint64_t *file);

/* The type in a sound header; it may be one that is not known. */
enum chunk_type chunk_header_type(const uint8_t *header);

/* Offset of the first byte a chunk could begin at; `count` where there is none. */
size_t chunk_find(const uint8_t *bytes, size_t count);

/*
 * Parses the chunk that begins at bytes[0]. Returns its whole length (> 0) and fills `*chunk`
 * (chunk->bytes then points into `bytes`: do not chunk_done it); 0 where `count` bytes do not
 * hold it whole; -EBADMSG where they are no chunk or damaged; -EPROTO where it is a sound chunk
 * of another version, or with a flag that must be known.
 */
int64_t chunk_parse(const uint8_t *bytes, size_t count, struct chunk *chunk, uint32_t *sequence);

/* Payload of a parsed chunk by type; -EBADMSG where it contradicts itself. */
int chunk_parse_loss(const struct chunk *chunk, uint64_t *scans, const char **reason,
                     size_t *reason_length);
int chunk_parse_clock(const struct chunk *chunk, struct chunk_clock *clock);
int chunk_parse_text(const struct chunk *chunk, const char **json, size_t *length);
/* Inputs of a block, then the coded bytes of each (`coded` points into the chunk). */
int chunk_block_inputs(const struct chunk *chunk, size_t *inputs);
int chunk_block_input(const struct chunk *chunk, size_t input, const uint8_t **coded,
                      size_t *length);

/* What a SUMMARY covers, and the coded rows: column CHUNK_SUMMARY_PARTS * input is the
 * input's lowest. */
struct chunk_summary_front {
    size_t inputs;
    uint64_t scans;
    uint32_t span;
};
int chunk_parse_summary(const struct chunk *chunk, struct chunk_summary_front *front);
int chunk_summary_column(const struct chunk *chunk, size_t column, const uint8_t **coded,
                         size_t *length);

/* Entries of an INDEX, and one of them. */
size_t chunk_index_count(const struct chunk *chunk);
struct chunk_index_entry chunk_index_get(const struct chunk *chunk, size_t index);

#endif
