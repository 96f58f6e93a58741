/* verdict_json.h - a verdict as the JSON that `check --json` shows. Frame indices from 0 in capture order,
 * absent values null. */
#ifndef STADDLE_REPORT_VERDICT_JSON_H
#define STADDLE_REPORT_VERDICT_JSON_H

#include <jansson.h>

#include "base/err.h"
#include "staddle/verdict.h"

/* Puts every key of the verdict into `object` (e.g. the result of a verb, whose empty "findings" is
 * replaced). */
int verdict_to_json(const struct verdict *, json_t *object, struct err *);

#endif
