// SPDX-License-Identifier: Apache-2.0
/*
 * file_requests.c - a snapshot's .crank as it lies there, or a part of it (RFC 9110, 14).
 */
#include "handlers.h"

#include "fingerprint.h"

#include <errno.h>
#include <fcntl.h>
#include <inttypes.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>
#include <unistd.h>

struct part {
    bool asked; /* a range was, that we understand: one, in bytes */
    uint64_t from, count;
};

/* Digits at `*text`, which then stands behind them; false: there are none, or too many. */
static bool read_digits(const char **text, uint64_t *value) {
    size_t digits = strspn(*text, "0123456789");
    if (digits == 0 || digits > 18)
        return false;
    *value = strtoull(*text, NULL, 10);
    *text += digits;
    return true;
}

/*
 * "bytes=A-B", "bytes=A-", "bytes=-LAST". What is no such range is passed over, as the standard
 * has it; false: it is one, and nothing of the file lies in it.
 */
static bool read_range(const char *text, uint64_t size, struct part *part) {
    static const char unit[] = "bytes=";
    uint64_t from = 0, to = size ? size - 1 : 0, last;
    *part = (struct part){.count = size};
    if (!text || strncmp(text, unit, sizeof unit - 1) != 0)
        return true;
    text += sizeof unit - 1;
    if (*text == '-') {
        text++;
        if (!read_digits(&text, &last) || *text)
            return true;
        from = last < size ? size - last : 0;
        if (last == 0)
            return false;
    } else {
        if (!read_digits(&text, &from) || *text++ != '-')
            return true;
        uint64_t end = to;
        if (*text && (!read_digits(&text, &end) || *text || end < from))
            return true;
        to = end < to ? end : to;
    }
    if (from >= size)
        return false;
    *part = (struct part){.asked = true, .from = from, .count = to - from + 1};
    return true;
}

static void add_headers(struct MHD_Response *response, unsigned number, const char *etag) {
    char disposition[64];
    snprintf(disposition, sizeof disposition, "attachment; filename=\"%04u.crank\"", number);
    MHD_add_response_header(response, "Content-Type", "application/octet-stream");
    MHD_add_response_header(response, "Content-Disposition", disposition);
    MHD_add_response_header(response, "Accept-Ranges", "bytes");
    MHD_add_response_header(response, "ETag", etag);
    MHD_add_response_header(response, "Cache-Control", "no-cache");
    MHD_add_response_header(response, "X-Content-Type-Options", "nosniff");
}

/* Takes `file` over. */
static enum MHD_Result send_part(struct request *request, int file, uint64_t size,
                                 const struct part *part, const char *etag) {
    struct MHD_Response *response =
        MHD_create_response_from_fd_at_offset64(part->count, file, part->from);
    if (!response) {
        close(file);
        return MHD_NO;
    }
    char range[96];
    snprintf(range, sizeof range, "bytes %" PRIu64 "-%" PRIu64 "/%" PRIu64, part->from,
             part->from + part->count - 1, size);
    add_headers(response, request->number, etag);
    if (part->asked)
        MHD_add_response_header(response, "Content-Range", range);
    enum MHD_Result result = MHD_queue_response(
        request->connection, part->asked ? MHD_HTTP_PARTIAL_CONTENT : MHD_HTTP_OK, response);
    MHD_destroy_response(response);
    return result;
}

static enum MHD_Result send_empty(struct request *request, unsigned status, uint64_t size,
                                  const char *etag) {
    char nothing[1] = "", range[64];
    struct MHD_Response *response =
        MHD_create_response_from_buffer(0, nothing, MHD_RESPMEM_PERSISTENT);
    if (!response)
        return MHD_NO;
    snprintf(range, sizeof range, "bytes */%" PRIu64, size);
    if (status == MHD_HTTP_RANGE_NOT_SATISFIABLE)
        MHD_add_response_header(response, "Content-Range", range);
    MHD_add_response_header(response, "ETag", etag);
    enum MHD_Result result = MHD_queue_response(request->connection, status, response);
    MHD_destroy_response(response);
    return result;
}

static const char *header(const struct request *request, const char *name) {
    return MHD_lookup_connection_value(request->connection, MHD_HEADER_KIND, name);
}

/* Takes `file` over. */
static enum MHD_Result send_file(struct request *request, int file, uint64_t size,
                                 const char *etag) {
    const char *known = header(request, MHD_HTTP_HEADER_IF_NONE_MATCH);
    const char *same = header(request, MHD_HTTP_HEADER_IF_RANGE);
    const char *range = header(request, MHD_HTTP_HEADER_RANGE);
    struct part part;
    bool satisfiable = read_range(same && strcmp(same, etag) != 0 ? NULL : range, size, &part);
    bool has_it = known && strcmp(known, etag) == 0;
    if (satisfiable && !has_it)
        return send_part(request, file, size, &part, etag);
    close(file);
    return send_empty(request, has_it ? MHD_HTTP_NOT_MODIFIED : MHD_HTTP_RANGE_NOT_SATISFIABLE,
                      size, etag);
}

enum MHD_Result get_snapshot_file(struct serve *serve, struct request *request, const char *rest) {
    (void)rest;
    char *path = NULL, etag[24];
    if (asprintf(&path, "%s/%04u.crank", serve->snapshot_folder, request->number) < 0)
        return MHD_NO;
    fingerprint_text(fingerprint_add_file(FINGERPRINT_BEGIN, -1, path), etag);
    int file = open(path, O_RDONLY | O_CLOEXEC | O_NOFOLLOW);
    free(path);
    struct stat status;
    if (file >= 0 && fstat(file, &status) == 0 && S_ISREG(status.st_mode))
        return send_file(request, file, (uint64_t)status.st_size, etag);
    if (file >= 0)
        close(file);
    return send_error(request->connection, MHD_HTTP_NOT_FOUND,
                      "no such snapshot: it was deleted, or never was",
                      "GET /v0/attempts lists those there are");
}
