build-clang/obj/src/base/json.o: src/base/json.c src/base/json.h \
  src/base/err.h src/base/mem.h src/base/units.h

src/base/json.h:

src/base/err.h:

src/base/mem.h:

src/base/units.h:
