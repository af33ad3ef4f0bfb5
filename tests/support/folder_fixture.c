#include "folder_fixture.h"

#include "base/text.h"

#include <dirent.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

char *folder_fixture;

static void *sure(void *memory)
{
    if (memory == NULL)
        abort();
    return memory;
}

char *folder_fixture_make(void)
{
    const char *build = getenv("BUILD");
    char *path = sure(text_format("%s/test-XXXXXX", build == NULL ? "build" : build));

    return sure(mkdtemp(path));
}

static void visit(const char *folder, size_t *n, bool is_removing)
{
    DIR *stream = sure(opendir(folder));
    struct dirent *entry = NULL;

    while ((entry = readdir(stream)) != NULL) {
        if (strcmp(entry->d_name, ".") == 0 || strcmp(entry->d_name, "..") == 0)
            continue;
        ++*n;
        if (is_removing) {
            char *path = sure(text_format("%s/%s", folder, entry->d_name));

            if (remove(path) != 0) {
                visit(path, n, true);
                (void)remove(path);
            }
            free(path);
        }
    }
    (void)closedir(stream);
}

void folder_fixture_remove(char **path)
{
    size_t n = 0;

    visit(*path, &n, true);
    (void)rmdir(*path);
    free(*path);
    *path = NULL;
}

int folder_fixture_set_up(void **state)
{
    (void)state;
    folder_fixture = folder_fixture_make();
    return 0;
}

int folder_fixture_tear_down(void **state)
{
    (void)state;
    folder_fixture_remove(&folder_fixture);
    return 0;
}

char *folder_fixture_path(const char *name)
{
    return sure(text_format("%s/%s", folder_fixture, name));
}

void folder_fixture_put(const char *folder, const char *name, const char *content)
{
    char *path = sure(text_format("%s/%s", folder, name));
    FILE *file = sure(fopen(path, "wb"));

    if (fputs(content, file) < 0 || fclose(file) != 0)
        abort();
    free(path);
}

char *folder_fixture_get(const char *folder, const char *name)
{
    char *path = sure(text_format("%s/%s", folder, name));
    FILE *file = fopen(path, "rb");
    char *content = NULL;
    size_t n = 0;

    free(path);
    if (file == NULL)
        return NULL;
    content = sure(calloc(1, 1 << 20));
    n = fread(content, 1, (1 << 20) - 1, file);
    content[n] = '\0';
    (void)fclose(file);
    return content;
}

size_t folder_fixture_count(const char *folder)
{
    size_t n = 0;

    visit(folder, &n, false);
    return n;
}
