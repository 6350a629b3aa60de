// SPDX-License-Identifier: Apache-2.0
/*
 * sheet_form.h - the forms a sheet can have.
 */
#ifndef CRANKTRAP_SHEET_FORM_H
#define CRANKTRAP_SHEET_FORM_H

enum sheet_format { SHEET_PDF, SHEET_SVG, SHEET_PNG, SHEET_HTML };
enum sheet_paper { SHEET_A4, SHEET_LETTER };

#endif
