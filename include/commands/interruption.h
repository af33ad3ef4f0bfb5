#ifndef AFTERFLASH_COMMANDS_INTERRUPTION_H
#define AFTERFLASH_COMMANDS_INTERRUPTION_H

/** From now on the process ends at SIGINT, SIGTERM and SIGHUP without leaving anything unfinished on the disk
 *  (base/leftovers.h), and then by that signal, as its parent expects: a shell sees 128 and the signal's
 *  number. A signal that was ignored when the process began stays ignored.
 *
 *  Call it once and before any other thread is made: threads inherit what holds the signals off. */
void interruption_watch(void);

#endif
