build-clang/obj/src/cmd_version.o: src/cmd_version.c src/base/json.h \
  src/base/err.h src/cmd.h

src/base/json.h:

src/base/err.h:

src/cmd.h:
