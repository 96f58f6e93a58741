build-clang/obj/src/base/findings.o: src/base/findings.c \
  src/base/findings.h src/base/err.h include/staddle/finding.h \
  src/base/json.h src/base/mem.h

src/base/findings.h:

src/base/err.h:

include/staddle/finding.h:

src/base/json.h:

src/base/mem.h:
