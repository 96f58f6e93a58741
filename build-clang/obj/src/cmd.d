build-clang/obj/src/cmd.o: src/cmd.c src/cmd.h src/base/err.h \
  src/base/json.h src/base/mem.h

src/cmd.h:

src/base/err.h:

src/base/json.h:

src/base/mem.h:
