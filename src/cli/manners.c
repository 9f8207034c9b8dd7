/* manners.c - how the program behaves beside one that is capturing.
 * Idea: the kernel knows better than we do when nobody else wants the machine, so a long command
 * asks it for exactly that. SCHED_IDLE (sched(7)) weighs 3 against the 1024 of a normal process;
 * the idle I/O class (ioprio_set(2)) waits for a quiet disk, where the disk's scheduler knows
 * classes (bfq does; none and mq-deadline order requests otherwise). */
#include <linux/ioprio.h>
#include <linux/sched.h> /* SCHED_IDLE, which sched.h keeps for GNU sources */
#include <sched.h>
#include <sys/syscall.h>
#include <unistd.h>

#include "cli/cli.h"

void cli_give_way(void) {
    const struct sched_param param = {.sched_priority = 0};
    (void)sched_setscheduler(0, SCHED_IDLE, &param);
    (void)syscall(SYS_ioprio_set, IOPRIO_WHO_PROCESS, 0, IOPRIO_CLASS_IDLE << IOPRIO_CLASS_SHIFT);
}
