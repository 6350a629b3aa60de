// SPDX-License-Identifier: Apache-2.0
/*
 * openapi_requests.c - docs/openapi.json, which is compiled in.
 */
#include "handlers.h"

#include "openapi.h"

#include <string.h>

enum MHD_Result get_openapi(struct serve *serve, struct request *request, const char *rest) {
    (void)serve;
    (void)rest;
    char *text = strdup(openapi_text);
    if (!text)
        return MHD_NO;
    request->answer = (struct answer){
        .status = MHD_HTTP_OK, .type = "application/json", .bytes = text, .size = openapi_size};
    return send_answer(request);
}
