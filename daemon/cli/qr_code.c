// SPDX-License-Identifier: Apache-2.0
/*
 * qr_code.c - libqrencode, or the word that it is missing.
 */
#include "qr_code.h"

#include <errno.h>
#include <stdlib.h>
#include <string.h>

#ifdef CRANKTRAP_QRENCODE
#include <qrencode.h>

int qr_code_make(const char *text, struct qr_code *code) {
    QRcode *made = QRcode_encodeString8bit(text, 0, QR_ECLEVEL_M);
    if (!made)
        return -errno;
    size_t size = (size_t)made->width * (size_t)made->width;
    unsigned char *cells = malloc(size);
    if (cells) {
        memcpy(cells, made->data, size);
        *code = (struct qr_code){.width = made->width, .cells = cells};
    }
    QRcode_free(made);
    return cells ? 0 : -ENOMEM;
}
#else
int qr_code_make(const char *text, struct qr_code *code) {
    (void)text;
    (void)code;
    return -ENOSYS;
}
#endif

void qr_code_done(struct qr_code *code) {
    free(code->cells);
    *code = (struct qr_code){0};
}

bool qr_code_dark(const struct qr_code *code, int x, int y) {
    return x >= 0 && y >= 0 && x < code->width && y < code->width &&
           code->cells[y * code->width + x] & 1;
}
