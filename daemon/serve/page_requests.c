// SPDX-License-Identifier: Apache-2.0
/*
 * page_requests.c - the web page's files, as they were at the start.
 */
#include "handlers.h"

#include "page_files.h"

#include <string.h>

static const char policy[] =
    "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self' data: blob:; "
    "connect-src 'self'; manifest-src 'self'; base-uri 'none'; form-action 'none'; "
    "frame-ancestors 'none'";

static enum MHD_Result send_file(struct request *request, const struct page_file *file) {
    const char *known = MHD_lookup_connection_value(request->connection, MHD_HEADER_KIND,
                                                    MHD_HTTP_HEADER_IF_NONE_MATCH);
    bool same = known && strcmp(known, file->etag) == 0;
    struct MHD_Response *response =
        MHD_create_response_from_buffer(same ? 0 : file->size, file->bytes, MHD_RESPMEM_PERSISTENT);
    if (!response)
        return MHD_NO;
    MHD_add_response_header(response, "Content-Type", file->type);
    MHD_add_response_header(response, "ETag", file->etag);
    MHD_add_response_header(response, "Cache-Control", "no-cache");
    MHD_add_response_header(response, "Content-Security-Policy", policy);
    MHD_add_response_header(response, "X-Content-Type-Options", "nosniff");
    MHD_add_response_header(response, "Referrer-Policy", "no-referrer");
    enum MHD_Result result = MHD_queue_response(
        request->connection, same ? MHD_HTTP_NOT_MODIFIED : MHD_HTTP_OK, response);
    MHD_destroy_response(response);
    return result;
}

/* Plain words for somebody who opened the address in a browser. */
static enum MHD_Result send_no_page(struct request *request) {
    static char text[] =
        "cranktrap is running, but the page was not built with it.\n"
        "Build it (README.md: it needs npm), or name its folder with `cranktrapd --page DIR`.\n"
        "Everything it shows can be asked for: docs/api.md, or the command `cranktrap`.\n";
    struct MHD_Response *response =
        MHD_create_response_from_buffer(sizeof text - 1, text, MHD_RESPMEM_PERSISTENT);
    if (!response)
        return MHD_NO;
    MHD_add_response_header(response, "Content-Type", "text/plain; charset=utf-8");
    MHD_add_response_header(response, "X-Content-Type-Options", "nosniff");
    enum MHD_Result result = MHD_queue_response(request->connection, MHD_HTTP_NOT_FOUND, response);
    MHD_destroy_response(response);
    return result;
}

enum MHD_Result get_front(struct serve *serve, struct request *request, const char *rest) {
    (void)rest;
    const struct page_file *file = page_find(serve->page, "index.html");
    return file ? send_file(request, file) : send_no_page(request);
}

enum MHD_Result get_page_file(struct serve *serve, struct request *request, const char *rest) {
    const struct page_file *file = page_find(serve->page, rest);
    return file ? send_file(request, file)
                : send_error(request->connection, MHD_HTTP_NOT_FOUND, "the page has no such file",
                             NULL);
}
