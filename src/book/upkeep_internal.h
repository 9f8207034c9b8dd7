/* upkeep_internal.h - shared by the files of upkeep only. */
#ifndef NW_BOOK_UPKEEP_INTERNAL_H
#define NW_BOOK_UPKEEP_INTERNAL_H

#include "book/book_internal.h"
#include "book/upkeep.h"

/* The tasks as they are gathered. */
struct upkeep_list {
    struct nw_book *book;
    double now_s;
    char first[NW_BOOK_DATE], last[NW_BOOK_DATE]; /* nights of the book; "": none */
    struct nw_upkeep *items;
    size_t n, cap;
};

void upkeep_date_of(double t_s, char to[static NW_BOOK_DATE]); /* "" for NaN */
/* Makes a task due on a day, if it is earlier than what it had. */
void upkeep_due(struct nw_upkeep *task, double due_s, const char *format, ...) NW_PRINTF(3, 4);
/* A new task with the day it was last noted as done; NULL: no memory, *status says so. */
struct nw_upkeep *upkeep_new(struct upkeep_list *list, const char *name, enum nw_status *status,
                             struct nw_err *err);

/* What the nights of the book say; each adds to or moves the tasks it is about. */
enum nw_status upkeep_of_glass(struct upkeep_list *list, struct nw_upkeep *task,
                               struct nw_err *err) NW_CHECKED;
enum nw_status upkeep_of_room(struct upkeep_list *list, struct nw_upkeep *task,
                              struct nw_err *err) NW_CHECKED;
enum nw_status upkeep_of_axis(struct upkeep_list *list, struct nw_upkeep *task,
                              struct nw_err *err) NW_CHECKED;
enum nw_status upkeep_of_train(struct upkeep_list *list, struct nw_upkeep *task,
                               struct nw_err *err) NW_CHECKED;
enum nw_status upkeep_of_sets(struct upkeep_list *list, struct nw_err *err) NW_CHECKED;

#endif
