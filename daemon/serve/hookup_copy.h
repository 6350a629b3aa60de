// SPDX-License-Identifier: Apache-2.0
/*
 * hookup_copy.h - the hookup as it was changed over the API: hookup.hookup in the state folder. As
 * long as it is there the daemon goes by it, and not by the file that it was started with.
 */
#ifndef CRANKTRAP_HOOKUP_COPY_H
#define CRANKTRAP_HOOKUP_COPY_H

#include "serve.h"

#include <stdbool.h>
#include <stddef.h>

#define HOOKUP_COPY_NAME "hookup.hookup"

/* The text of the copy, else of the hookup in use: free() it. NULL without memory. */
char *hookup_copy_read(const struct serve_parts *parts);

/* Its ETag, with quotes. */
void hookup_copy_etag(const char *text, char etag[24]);

/*
 * Can this daemon go over to `fresh` without a restart? What cannot is in `why` (`size` bytes; else
 * "").
 */
bool hookup_copy_takes_effect(const struct serve_parts *parts, const struct hookup *fresh,
                              char *why, size_t size);

#endif
