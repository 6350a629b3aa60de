// SPDX-License-Identifier: Apache-2.0
/*
 * openapi.h - docs/openapi.json, compiled in: CMake writes its bytes into a C file.
 */
#ifndef CRANKTRAP_OPENAPI_H
#define CRANKTRAP_OPENAPI_H

#include <stddef.h>

extern const char openapi_text[]; /* NUL-terminated */
extern const size_t openapi_size; /* in bytes, without the NUL */

#endif
