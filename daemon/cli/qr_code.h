// SPDX-License-Identifier: Apache-2.0
/*
 * qr_code.h - a text as a code for a camera (ISO/IEC 18004), by libqrencode where the build has it.
 */
#ifndef CRANKTRAP_QR_CODE_H
#define CRANKTRAP_QR_CODE_H

#include <stdbool.h>

struct qr_code {
    int width;            /* cells each way, without a margin */
    unsigned char *cells; /* [y * width + x]: bit 0 is dark */
};

/* 0; -ENOSYS where the build has no libqrencode; another negative errno. */
int qr_code_make(const char *text, struct qr_code *code);
void qr_code_done(struct qr_code *code);

/* Is that cell dark? Outside nothing is. */
bool qr_code_dark(const struct qr_code *code, int x, int y);

#endif
