/* base.h - what every other module stands on: one header per idea, all of them included here.
 * Needs nothing of ours. Nothing in base prints, exits or keeps global state. */
#ifndef NW_BASE_H
#define NW_BASE_H

#include "base/angle.h"     /* 05:35:17.3 */
#include "base/big.h"       /* memory for whole images */
#include "base/buf.h"       /* growing bytes and arrays, each born with its limit */
#include "base/constants.h" /* physical and mathematical constants, each with unit and source */
#include "base/err.h"       /* status + error text */
#include "base/file.h"      /* whole-file reading, atomic writing, folder listing */
#include "base/hash.h"      /* what a file holds, as a number */
#include "base/map.h"       /* whole files as memory */
#include "base/parallel.h"  /* the one parallel loop; progress and cancellation */
#include "base/pattern.h"   /* wildcards over one line of text */
#include "base/quantity.h"  /* numbers with units: "448 mm" */
#include "base/stats.h"     /* median, MAD, clipped means, percentiles */
#include "base/table.h"     /* CSV with named columns, units and line numbers */
#include "base/text.h"      /* strict text -> number, nearest word, ISO 8601 times */
#include "base/zone.h"      /* local clocks with summer time, dates as programs write them */

#endif
